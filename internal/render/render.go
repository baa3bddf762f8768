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

// quietZone is the clear margin that ISO/IEC 18004 (number from memory) asks for around the code, in modules.
const quietZone = 4

// The colours are spelled out, from the part of the 256-colour palette that themes leave alone, so that the code is
// dark on light on every terminal: not every phone reads it the other way round.
const (
	darkOnLight = "\x1b[38;5;16;48;5;231m"
	plain       = "\x1b[0m"
)

// QR draws text as a QR code, two rows of modules on one line of half blocks. It is for terminals only. A text too long
// for a code is an error.
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
			b.WriteString(halves(dark(x, y), dark(x, y+1)))
		}
		b.WriteString(plain + "\n")
	}
	return b.String(), nil
}

func halves(upper, lower bool) string {
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

// Table writes rows under a header, columns aligned and two spaces apart. A column in which every filled cell begins
// like a number is aligned right. Control characters in cells become spaces, so that a note cannot move the cursor.
func Table(w io.Writer, header []string, rows [][]string) error {
	widths, right := measure(header, rows)
	var b strings.Builder
	for _, row := range append([][]string{header}, rows...) {
		var line strings.Builder
		for i, cell := range row {
			cell = clean(cell)
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

// measure finds each column's width in runes and whether it holds numbers.
func measure(header []string, rows [][]string) (widths []int, right []bool) {
	for _, row := range append([][]string{header}, rows...) {
		for i, cell := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], utf8.RuneCountInString(clean(cell)))
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

// numeric says whether a cell is a number, with or without a unit after a space. A date in words is none.
func numeric(cell string) bool {
	number, unit, _ := strings.Cut(cell, " ")
	if strings.Contains(unit, " ") {
		return false
	}
	var f float64
	n, err := fmt.Sscanf(number+"\n", "%g\n", &f)
	return n == 1 && err == nil && !math.IsNaN(f)
}

func clean(cell string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7F && r < 0xA0 || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, cell)
}

// IsTerminal says whether w is a terminal: somebody is looking.
func IsTerminal(w io.Writer) bool {
	f, ok := w.(interface{ Fd() uintptr }) // as *os.File has it
	return ok && term.IsTerminal(int(f.Fd()))
}
