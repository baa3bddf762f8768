package wire

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// record is one example from testdata/wire: keys and values in order, lines with the same key kept apart.
type record struct {
	what  string // the first line
	lines [][2]string
}

// readRecords reads a file of testdata/wire. The format is plain enough for a few lines of C.
func readRecords(t testing.TB, name string) []record {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "wire", name))
	require.NoError(t, err)
	var records []record
	open := false
	for scan := bufio.NewScanner(bytes.NewReader(data)); scan.Scan(); {
		line := scan.Text()
		switch {
		case line == "":
			open = false
		case strings.HasPrefix(line, "#"):
		case !open:
			records, open = append(records, record{what: line}), true
		default:
			key, value, _ := strings.Cut(line, " ")
			r := &records[len(records)-1]
			r.lines = append(r.lines, [2]string{key, value})
		}
	}
	require.NotEmpty(t, records)
	return records
}

func (r record) all(key string) []string {
	var values []string
	for _, line := range r.lines {
		if line[0] == key {
			values = append(values, line[1])
		}
	}
	return values
}

// bytes joins the hex of all lines with key.
func (r record) bytes(t testing.TB, key string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(strings.Join(r.all(key), ""), " ", ""))
	require.NoError(t, err)
	return b
}

func (r record) number(t testing.TB, key string) int64 {
	t.Helper()
	values := r.all(key)
	require.Len(t, values, 1, "%s: %s", r.what, key)
	n, err := strconv.ParseInt(values[0], 10, 64)
	require.NoError(t, err)
	return n
}

// numbers are the numbers on each line with key.
func (r record) numbers(t testing.TB, key string) [][]int64 {
	t.Helper()
	var rows [][]int64
	for _, value := range r.all(key) {
		var row []int64
		for _, field := range strings.Fields(value) {
			n, err := strconv.ParseInt(field, 10, 64)
			require.NoError(t, err)
			row = append(row, n)
		}
		rows = append(rows, row)
	}
	return rows
}
