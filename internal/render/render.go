// Package render writes for people and for scripts: QR codes on a terminal, tables, and JSON.
package render

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	qr "github.com/piglig/go-qr"
	"golang.org/x/term"
)

// quietZone is the clear margin that ISO/IEC 18004 (number from memory) requires around the code, in modules.
const quietZone = 4

// The colours are from the part of the 256-colour palette that themes leave unchanged, so that the code is dark on
// light on every terminal: not every phone reads it inverted.
const (
	darkOnLight  = "\x1b[38;5;16;48;5;231m"
	resetColours = "\x1b[0m"
)

// QR draws text as a QR code for a terminal, two rows of modules to a line of half blocks. It fails if text is too long
// for a code.
func QR(text string) (string, error) {
	code, err := qr.EncodeText(text, qr.Medium)
	if err != nil {
		return "", fmt.Errorf("QR code of %d bytes: %w; use a shorter text", len(text), err)
	}
	size := code.Size()
	dark := func(x, y int) bool { return x >= 0 && y >= 0 && x < size && y < size && code.Module(x, y) }
	var b strings.Builder
	for y := -quietZone; y < size+quietZone; y += 2 {
		b.WriteString(darkOnLight)
		for x := -quietZone; x < size+quietZone; x++ {
			b.WriteString(halfBlock(dark(x, y), dark(x, y+1)))
		}
		b.WriteString(resetColours + "\n")
	}
	return b.String(), nil
}

func halfBlock(upper, lower bool) string {
	switch {
	case upper && lower:
		return "█"
	case upper:
		return "▀"
	case lower:
		return "▄"
	}
	return " "
}

// Table writes rows under a header, columns aligned and two spaces apart. A column whose non-empty cells are numeric is
// right-aligned. Characters that are not text become spaces, so that a note cannot move the cursor or turn the
// direction of writing.
func Table(w io.Writer, header []string, rows [][]string) error {
	return LongTable(w, header, slices.Values(rows))
}

// LongTable is Table for rows that need not be in memory at once: it goes through them twice, for the widths and to
// write them. (text/tabwriter, looked at on 2026-11-28 in Go 1.26, keeps all cells in memory until the table ends, and
// aligns either all columns to the right or none.)
func LongTable(w io.Writer, header []string, rows iter.Seq[[]string]) error {
	widths, right := columnLayout(header, rows)
	out := bufio.NewWriter(w)
	writeRow(out, header, widths, right)
	for row := range rows {
		writeRow(out, row, widths, right)
	}
	if err := out.Flush(); err != nil { // keeps the first error
		return fmt.Errorf("write a table: %w", err)
	}
	return nil
}

func writeRow(out *bufio.Writer, row []string, widths []int, right []bool) {
	var line strings.Builder
	for i, cell := range row {
		cell = sanitize(cell)
		pad := strings.Repeat(" ", max(0, widths[i]-utf8.RuneCountInString(cell)))
		if right[i] {
			cell = pad + cell
		} else {
			cell += pad
		}
		line.WriteString(cell + "  ")
	}
	out.WriteString(strings.TrimRight(line.String(), " ") + "\n")
}

// columnLayout returns each column's width in runes and whether it is numeric.
func columnLayout(header []string, rows iter.Seq[[]string]) (widths []int, right []bool) {
	widths, right = make([]int, len(header)), make([]bool, len(header))
	words := make([]bool, len(header))
	for i, cell := range header {
		widths[i] = utf8.RuneCountInString(sanitize(cell))
	}
	for row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(sanitize(cell)))
			if cell != "" && !words[i] {
				right[i] = numeric(cell)
				words[i] = !right[i]
			}
		}
	}
	return widths, right
}

// numeric reports whether a cell is a number, with or without a unit after a space. A date in words is not.
func numeric(cell string) bool {
	number, unit, _ := strings.Cut(cell, " ")
	if strings.Contains(unit, " ") {
		return false
	}
	f, err := strconv.ParseFloat(number, 64)
	return err == nil && !math.IsNaN(f)
}

// sanitize takes out what does something on a terminal.
func sanitize(cell string) string {
	return strings.Map(func(r rune) rune {
		if active(r) {
			return ' '
		}
		return r
	}, cell)
}

// JSON writes a value, indented and without escapes for HTML, and a line's end.
func JSON(w io.Writer, v any) error {
	text, err := IndentJSON(v, "")
	if err != nil {
		return err
	}
	if _, err := w.Write(append(text, '\n')); err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	return nil
}

// IndentJSON encodes a value as JSON does, without a line's end; lines after the first begin with prefix. Characters
// that would do something on a terminal are escaped.
func IndentJSON(v any, prefix string) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent(prefix, "  ")
	if err := e.Encode(v); err != nil {
		return nil, fmt.Errorf("write JSON: %w", err)
	}
	return escapeActive(bytes.TrimSuffix(b.Bytes(), []byte("\n"))), nil
}

// IsTerminal reports whether an input or output is a terminal.
func IsTerminal(file any) bool {
	f, ok := file.(interface{ Fd() uintptr }) // as *os.File has it
	return ok && term.IsTerminal(int(f.Fd()))
}

// Progress returns a function that shows, on w if that is a terminal, how many things of so many are done.
func Progress(w io.Writer, of int, things string) func(done int) {
	if !IsTerminal(w) {
		return func(int) {}
	}
	return func(done int) {
		fmt.Fprintf(w, "\r%d of %d %s", done, of, things)
		if done >= of {
			fmt.Fprint(w, "\r\x1b[K")
		}
	}
}

// Percent returns a function that shows a percentage on a terminal, and one that clears the line.
func Percent(w io.Writer) (show func(percent int), clear func()) {
	shown := false
	show = func(percent int) {
		shown = true
		fmt.Fprintf(w, "\r%d %% ", percent)
	}
	clear = func() {
		if shown {
			fmt.Fprint(w, "\r\x1b[K")
		}
		shown = false
	}
	return show, clear
}
