package circuit

import (
	"encoding/csv"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The list of what to buy has every part of every board, what no drawing shows, sums that are sums, and a class of
// price for each; a socket for each circuit of eight legs.
func TestTheShoppingListIsWhole(t *testing.T) {
	d := design(t)
	r := csv.NewReader(strings.NewReader(d.Shopping()))
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	head, rows := rows[0], rows[1:]
	require.Len(t, head, 3+len(d.Boards)+2)
	all := map[string]int{}
	for _, row := range rows {
		sum := 0
		for i, b := range d.Boards {
			n, err := strconv.Atoi(row[3+i])
			require.NoError(t, err)
			all[b.Name] += n
			if !b.Unguarded {
				sum += n
			}
		}
		assert.Equal(t, strconv.Itoa(sum), row[3+len(d.Boards)], row[0])
		assert.NotEqual(t, priceClasses[0], row[len(row)-1], row[0])
	}
	line := func(words string) (row []string) {
		for _, row := range rows {
			if strings.Contains(row[0], words) {
				return row
			}
		}
		require.Fail(t, "nothing to buy", words)
		return nil
	}
	for i, b := range d.Boards {
		want, sockets := len(b.Parts), 0
		for _, e := range b.Extras {
			want += e.Count
		}
		assert.Equal(t, want, all[b.Name], b.Name)
		for _, p := range b.Parts {
			if p.Type.Kind == Comparator || p.Type.Kind == OpAmp || p.Type.Kind == Timer {
				sockets++
			}
		}
		assert.Equal(t, strconv.Itoa(sockets), line("DIP-8 socket")[3+i], b.Name)
	}
	for _, words := range []string{"push-button, momentary", "hole board", "12 V DC supply", "lead to a valve",
		"enclosure"} {
		line(words)
	}
}

// A port is labelled as ready-made boards print it; other lines have no label.
func TestLabelsOfPorts(t *testing.T) {
	for line, want := range map[string]string{"PD0": "D0", "PD7": "D7", "PB0": "D8", "PB5": "D13", "PC0": "A0",
		"PC5": "A5", "PB6": "", "PC6": "", "PD8": "", "GPIO17": "", "": "", "PD77": "", "PE1": ""} {
		assert.Equal(t, want, Wire{Line: line}.Label(), line)
	}
	d := design(t)
	assert.Contains(t, d.Headers(), "mega328,DIL_4,PD2,D2,GATE,")
	assert.Contains(t, d.Headers(), "mega328,DIL_23,PC0,A0,MIC_TAP,")
}

func TestBuyIsRefused(t *testing.T) {
	const board = "board b \"t\" 100x100\n"
	_, err := Parse(board + "buy 1 x price=1")
	require.NoError(t, err)
	for _, text := range []string{"buy 1 x price=1", board + "buy 0 x price=1", board + "buy 1 x price=5",
		board + "buy one x price=1", board + "buy 1 x"} {
		_, err := Parse(text)
		var parse *ParseError
		require.ErrorAs(t, err, &parse, text)
		assert.Positive(t, parse.Line)
		assert.NotEmpty(t, parse.Remedy)
	}
}
