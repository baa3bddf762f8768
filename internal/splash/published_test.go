package splash

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

// A row is one line of a published table by the names of its columns.
type row map[string]string

func (r row) number(t testing.TB, column string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(r[column], 64)
	require.NoError(t, err, "column %s", column)
	return x
}

// mm is a column in millimetres.
func (r row) mm(t testing.TB, column string) phys.Length {
	return phys.Length(r.number(t, column) / 1000)
}

// published reads a table of testdata/published; its header comment says where the numbers are from.
func published(t testing.TB, name string) []row {
	t.Helper()
	file, err := os.Open(filepath.Join("..", "..", "testdata", "published", name))
	require.NoError(t, err)
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	lines, err := reader.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(lines), 1)
	rows := make([]row, 0, len(lines)-1)
	for _, line := range lines[1:] {
		r := row{}
		for i, column := range lines[0] {
			r[column] = line[i]
		}
		rows = append(rows, r)
	}
	return rows
}
