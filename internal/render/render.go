// Package render draws for a terminal: QR codes and tables.
package render

import (
	"fmt"
	"io"
	"math"

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

// Table writes rows under a header, columns aligned and two spaces apart. A column whose non-empty cells all begin with
// a number is aligned right. Control characters in cells become spaces, so that a note cannot move the cursor.
func Table(w io.Writer, header []string, rows [][]string) error {
	widths, right := columnLayout(header, rows)
	var b strings.Builder
	for _, row := range append([][]string{header}, rows...) {
		var line strings.Builder
		for i, cell := range row {
			cell = sanitize(cell)
			pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell))
			if right[i] {
				cell = pad + cell
			} else {
				cell += pad
			}
			line.WriteString(cell + "  ")
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("write a table: %w", err)
	}
	return nil
}

// columnLayout returns each column's width in runes and whether it is numeric.
func columnLayout(header []string, rows [][]string) (widths []int, right []bool) {
	for _, row := range append([][]string{header}, rows...) {
		for i, cell := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], utf8.RuneCountInString(sanitize(cell)))
		}
	}
	right = make([]bool, len(widths))
	for i := range right {
		filled := 0
		right[i] = true
		for _, row := range rows {
			if i < len(row) && row[i] != "" {
				filled++
				right[i] = right[i] && numeric(row[i])
			}
		}
		right[i] = right[i] && filled > 0
	}
	return widths, right
}

// numeric reports whether a cell is a number, with or without a unit after a space. A date in words is not.
func numeric(cell string) bool {
	number, unit, _ := strings.Cut(cell, " ")
	if strings.Contains(unit, " ") {
		return false
	}
	var f float64
	n, err := fmt.Sscanf(number+"\n", "%g\n", &f)
	return n == 1 && err == nil && !math.IsNaN(f)
}

func sanitize(cell string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7F && r < 0xA0 || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, cell)
}

// IsTerminal reports whether w is a terminal.
func IsTerminal(w io.Writer) bool {
	f, ok := w.(interface{ Fd() uintptr }) // as *os.File has it
	return ok && term.IsTerminal(int(f.Fd()))
}
