package circuit

import (
	"encoding/csv"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// shopping is the list of what to buy for some boards: its head, its lines and its sums.
func shopping(t *testing.T, d *Design) (head []string, lines [][]string, sums []string) {
	t.Helper()
	r := csv.NewReader(strings.NewReader(d.Shopping()))
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows[0], 3+len(d.Boards)+2)
	return rows[0], rows[1 : len(rows)-1], rows[len(rows)-1]
}

// The list of what to buy has every part of every board, what no drawing shows, sums that are sums, and a class of
// price for each; a socket for each circuit of eight legs.
func TestTheShoppingListIsWhole(t *testing.T) {
	d := design(t)
	_, rows, _ := shopping(t, d)
	all := map[string]int{}
	for _, row := range rows {
		for i, b := range d.Boards {
			n, err := strconv.Atoi(row[3+i])
			require.NoError(t, err)
			all[b.Name] += n
		}
		assert.NotEqual(t, priceClasses[0].words, row[len(row)-1], row[0])
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

// What a rig works without is not in the sum of what it needs, and each board has a sum of its own.
func TestWhatIsOptionalIsNotInTheSum(t *testing.T) {
	d, err := Parse(`type resistor resistor "metal film" p=0.25 v=250 price=1 legs=0,0/4,0 body=7x2 makers="a (b); c (d)"
board one "a" 100x100
group LOGIC 5 "b"
net A LOGIC 0
net B LOGIC 5
section s "s" 0,0 10x10
part R1 resistor 10k at=5,5 hole=5,5,0 : 1=A 2=B
part R2 resistor 10k at=5,9 hole=5,9,0 : 1=A 2=B
buy 2 "lead" price=2
board two "a" 100x100
buy 1 "lead" price=2
board plate "a" 100x100 optional
group LOGIC 5 "b"
net A LOGIC 0
net B LOGIC 5
section s "s" 0,0 10x10
part R3 resistor 10k at=5,5 hole=5,5,0 : 1=A 2=B
part R4 resistor 10k at=5,9 hole=5,9,0 : 1=A 2=B
buy 1 "glass" price=3
board first "a" 100x100 unguarded
buy 4 "lead" price=2
`)
	require.NoError(t, err)
	head, lines, sums := shopping(t, d)
	assert.Equal(t, []string{"one", "two", "plate", "first", "one and two together"}, head[3:8])
	for i, want := range map[string][]string{"metal film": {"2", "0", "2", "0", "2"}, "lead": {"2", "1", "0", "4", "3"},
		"glass": {"0", "0", "1", "0", "0"}} {
		assert.True(t, slices.ContainsFunc(lines, func(l []string) bool {
			return l[0] == i && slices.Equal(want, l[3:8])
		}), "%s: %s", i, lines)
	}
	assert.Equal(t, []string{"1 to 7", "0 to 3", "3 to 16", "2 to 12", "1 to 10"}, sums[3:8], "euro")
	whole := design(t)
	head, _, _ = shopping(t, whole)
	assert.Equal(t, "outputs and sensors together", head[3+len(whole.Boards)])
	for _, name := range []string{"outputs", "sensors"} {
		assert.False(t, whole.Board(name).Optional, name)
	}
	assert.True(t, whole.Board("modulated").Optional)
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
