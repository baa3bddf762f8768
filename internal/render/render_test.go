package render

import (
	"bytes"
	"encoding/json"
	"errors"
	"image"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"unicode"

	qr "github.com/piglig/go-qr"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

var texts = []string{
	"http://192.0.2.17:8737/#code=123456",
	"http://[2001:db8::17]:8737/#code=987654",
	"A",
	strings.Repeat("long ", 60),
}

// read takes what a terminal was sent back to modules, true for dark, checking the colours on the way.
func read(t *testing.T, drawn string) [][]bool {
	t.Helper()
	var rows [][]bool
	for line := range strings.Lines(drawn) {
		line, ok := strings.CutPrefix(line, darkOnLight)
		require.True(t, ok, "each line sets its colours")
		line, ok = strings.CutSuffix(line, resetColours+"\n")
		require.True(t, ok, "and takes them back")
		var upper, lower []bool
		for _, r := range line {
			require.Contains(t, " ▀▄█", string(r))
			upper = append(upper, r == '▀' || r == '█')
			lower = append(lower, r == '▄' || r == '█')
		}
		rows = append(rows, upper, lower)
	}
	return rows
}

// picture draws modules as a camera would see them.
func picture(rows [][]bool) *image.Gray {
	const scale = 6
	img := image.NewGray(image.Rect(0, 0, len(rows[0])*scale, len(rows)*scale))
	for y := range img.Rect.Max.Y {
		for x := range img.Rect.Max.X {
			if !rows[y/scale][x/scale] {
				img.SetGray(x, y, color.Gray{Y: 255})
			}
		}
	}
	return img
}

func TestQRStructure(t *testing.T) {
	const quietZone = 4 // said again: as ISO/IEC 18004 asks
	for _, text := range texts {
		drawn, err := QR(text)
		require.NoError(t, err)
		rows := read(t, drawn)
		size := len(rows[0]) - 2*quietZone
		assert.Zero(t, (size-17)%4, "21, 25, 29 ... modules wide")
		for y, row := range rows {
			require.Len(t, row, size+2*quietZone)
			for x, dark := range row {
				inside := min(x, y) >= quietZone && max(x, y) < size+quietZone
				require.False(t, dark && !inside, "quiet zone at %d, %d", x, y)
			}
		}
		for _, corner := range [][2]int{{0, 0}, {size - 7, 0}, {0, size - 7}} {
			for i := range 7 {
				for k := range 7 {
					ring := max(i-3, 3-i, k-3, 3-k) // distance from the middle of the finder pattern
					got := rows[quietZone+corner[1]+k][quietZone+corner[0]+i]
					assert.Equal(t, ring != 2, got, "finder pattern at %v", corner)
				}
			}
		}
		for i := 8; i < size-8; i++ {
			assert.Equal(t, i%2 == 0, rows[quietZone+6][quietZone+i], "timing pattern")
		}
	}
}

// The library that drew the code reads it back; this finds errors of the drawing, not of the library.
func TestQRReadBack(t *testing.T) {
	for _, text := range texts {
		drawn, err := QR(text)
		require.NoError(t, err)
		got, err := qr.Decode(picture(read(t, drawn)))
		require.NoError(t, err)
		assert.Equal(t, text, got)
	}
}

// An independent reader, the zbar library's, reads what was drawn.
func TestQRReadByAnotherProgram(t *testing.T) {
	zbarimg := need.Tool(t, "zbarimg")
	for _, text := range texts {
		drawn, err := QR(text)
		require.NoError(t, err)
		var b bytes.Buffer
		require.NoError(t, png.Encode(&b, picture(read(t, drawn))))
		file := filepath.Join(t.TempDir(), "qr.png")
		require.NoError(t, os.WriteFile(file, b.Bytes(), 0o600))
		got, err := exec.Command(zbarimg, "--quiet", "--raw", "--nodbus", file).Output()
		require.NoError(t, err, "%s", got)
		assert.Equal(t, text+"\n", string(got))
	}
}

func TestQRTooLong(t *testing.T) {
	_, err := QR(strings.Repeat("x", 3000))
	assert.ErrorContains(t, err, "3000 bytes")
	assert.ErrorContains(t, err, "use a shorter text")
}

func TestTable(t *testing.T) {
	var b strings.Builder
	require.NoError(t, Table(&b, []string{"shot", "delay", "verdict", "note"}, [][]string{
		{"9", "63.25 ms", "good", ""},
		{"10", "", "nothing there", "wet\x1b[2J\nfloor"},
		{"11", "-1 ms", "spät", "x"},
	}))
	assert.Equal(t, `shot     delay  verdict        note
   9  63.25 ms  good
  10            nothing there  wet [2J floor
  11     -1 ms  spät           x
`, b.String())
}

func TestTableWithoutRows(t *testing.T) {
	var b strings.Builder
	require.NoError(t, Table(&b, []string{"a", "b"}, nil))
	assert.Equal(t, "a  b\n", b.String())
}

func TestNumeric(t *testing.T) {
	for cell, want := range map[string]bool{"1": true, "-2.5 ms": true, "+3": true, "1e3": true, "": false, "ms": false,
		"1/125 s": false, "2026-11-25": false, "NaN": false, "0.5x": false, "25 November 2026, 09:36": false} {
		assert.Equal(t, want, numeric(cell), cell)
	}
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errors.New("pipe is gone") }

func TestTableSaysWhenItCannotBeWritten(t *testing.T) {
	assert.ErrorContains(t, Table(broken{}, []string{"a"}, nil), "pipe is gone")
}

// A note cannot turn the direction of what stands beside it; letters that join stay joined.
func TestTableTakesOutDirections(t *testing.T) {
	var b strings.Builder
	require.NoError(t, Table(&b, []string{"note"}, [][]string{{"a\u202eb\u2066c\u200fd\x1b\u009be"}, {"👩\u200d🚀"}}))
	assert.Equal(t, "note\na b c d  e\n👩\u200d🚀\n", b.String())
}

// JSON means what it meant, and does nothing on a terminal.
func TestJSONTakesOutDirections(t *testing.T) {
	note := "a\x1b\u202eb\u2066c\x7fd\u009be\u2028 40 µm 👩\u200d🚀"
	own, err := json.Marshal(note)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, JSON(&b, map[string]any{"note": note, "raw": json.RawMessage(own)}))
	for _, r := range strings.ReplaceAll(b.String(), "\n", "") {
		assert.False(t, unicode.IsControl(r) || isBidi(r), "%q", r)
	}
	var back map[string]string
	require.NoError(t, json.Unmarshal(b.Bytes(), &back))
	assert.Equal(t, map[string]string{"note": note, "raw": note}, back)
	assert.Contains(t, b.String(), "40 µm 👩\u200d🚀")
}

func TestPrintable(t *testing.T) {
	for text, want := range map[string]string{
		"40 µm\nnext": "40 µm\nnext", "a\x1b[2Jb": `a\x1b[2Jb`, "a\rb\t": `a\rb\t`, "\xff": `\xff`, "\ufffd": "\ufffd",
		"\u202ecba": `\u202ecba`, "": "", "'": "'", "\x00": `\x00`,
		strings.Repeat("x", 5000): strings.Repeat("x", maxLineBytes+1) + "...",
	} {
		assert.Equal(t, want, Printable(text))
	}
}

func TestPercent(t *testing.T) {
	var out strings.Builder
	show, clear := Percent(&out)
	clear()
	assert.Empty(t, out.String(), "nothing is there to be cleared")
	show(3)
	show(40)
	clear()
	clear()
	assert.Equal(t, "\r3 % \r40 % \r\x1b[K", out.String())
}
