package circuit

import (
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// readTable parses CSV with a number of columns; lines that begin with # are comments. A cell is one line of plain
// text, so that it survives writing and parsing.
func readTable(what, text string, columns int) ([][]string, error) {
	r := csv.NewReader(strings.NewReader(text))
	r.Comment, r.FieldsPerRecord = '#', columns
	table, err := r.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	for i, row := range table {
		if strings.HasPrefix(row[0], "#") {
			return nil, fmt.Errorf("%s: row %d begins with a quoted #, which marks remarks: name it otherwise", what, i+1)
		}
		for _, cell := range row {
			if !utf8.ValidString(cell) || strings.ContainsFunc(cell, unicode.IsControl) {
				return nil, fmt.Errorf("%s: row %d: %q is not one line of text", what, i+1, cell)
			}
		}
	}
	return table, nil
}

// readHeaded parses a table whose first row is head.
func readHeaded(what, text string, head []string) ([][]string, error) {
	table, err := readTable(what, text, len(head))
	if err != nil {
		return nil, err
	}
	if len(table) == 0 || !slices.Equal(table[0], head) {
		return nil, fmt.Errorf("%s: the first row must be %q", what, strings.Join(head, ","))
	}
	return table[1:], nil
}

// finite parses a finite decimal number.
func finite(text string) (float64, error) {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) || strings.ContainsAny(text, "xX_") {
		return 0, fmt.Errorf("%q is not a number", text)
	}
	return x, nil
}
