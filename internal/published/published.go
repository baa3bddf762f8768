// Package published reads the tables of testdata/published for the tests that are held to them. Where a table's numbers
// are from, the comment at its head says.
package published

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"stillwater/internal/textfile"
)

// Row is one line of a table by the names of its columns.
type Row map[string]string

// Number is a column's number, or ends the test.
func (r Row) Number(t testing.TB, column string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %q of %v: %v", column, r, err)
	}
	return x
}

// Metres is a column in millimetres.
func (r Row) Metres(t testing.TB, column string) float64 {
	t.Helper()
	return r.Number(t, column) / 1000
}

// Rows reads a table; one that is not there, or empty, ends the test. The test's package is two folders below the
// repository's root.
func Rows(t testing.TB, name string) []Row {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "published", name))
	if err == nil {
		text, err = textfile.Decode(text)
	}
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	reader := csv.NewReader(bytes.NewReader(text))
	reader.Comment = '#'
	lines, err := reader.ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if len(lines) < 2 {
		t.Fatalf("%s has no rows", name)
	}
	rows := make([]Row, 0, len(lines)-1)
	for _, line := range lines[1:] {
		row := Row{}
		for i, column := range lines[0] {
			row[column] = line[i]
		}
		rows = append(rows, row)
	}
	return rows
}
