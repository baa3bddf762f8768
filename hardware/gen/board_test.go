package main

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
	"stillwater/hardware/layout"
	"stillwater/internal/need"
)

// read boards, once for all tests: that takes seconds.
var readOnce = sync.OnceValues(func() ([]*layout.Printed, error) {
	d, err := readDesign(hardware, "circuits.txt")
	if err != nil {
		return nil, err
	}
	if need.RaceDetector { // the checks have no goroutine: the smallest board is enough to see
		d.Boards = slices.DeleteFunc(d.Boards, func(b *circuit.Board) bool { return b.Name != "first" })
	}
	return readBoards(hardware, d, io.Discard)
})

// The boards as they are in KiCad are the circuit, keep their distances and conduct as they must.
func TestTheBoardsKeepTheRules(t *testing.T) {
	t.Parallel()
	_, err := readOnce()
	require.NoError(t, err)
}

// folder is a hardware folder of its own, to write in, with one board's circuit.
func folder(t *testing.T, name string) (dir string, d *circuit.Design) {
	t.Helper()
	dir, d = t.TempDir(), design(t)
	d.Boards = slices.DeleteFunc(d.Boards, func(b *circuit.Board) bool { return b.Name != name })
	return dir, d
}

// A board is begun where there is none, and that is reported; one that somebody edited is left as it is, also when it
// is no board at all, and its errors say what is wrong.
func TestBoardsAreBegunAndNeverOverwritten(t *testing.T) {
	t.Parallel()
	dir, d := folder(t, "first")
	var said strings.Builder
	require.NoError(t, prepare(dir, d, &said))
	file := filepath.Join(dir, boards, "first.kicad_pcb")
	assert.Contains(t, said.String(), file+": begun. Open it in KiCad")
	begun, err := os.ReadFile(file)
	require.NoError(t, err)
	var progress strings.Builder
	_, err = readBoards(dir, d, &progress)
	assert.Regexp(t, `^first: checked; findings: \d+\n$`, progress.String())
	require.ErrorContains(t, err, file+": ground: the zone of GND at 20.50, 20.50 mm is not filled")
	for _, line := range strings.Split(err.Error(), "\n")[1:] {
		assert.Regexp(t, `: (ground|joints): `, line, "nothing else is wrong with a board that is begun than its tracks")
	}
	for name, text := range map[string]string{"edited": strings.Replace(string(begun), "(drill 0.8)", "(drill 0.1)", 1),
		"no board": "a note"} {
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		said.Reset()
		require.NoError(t, prepare(dir, d, &said))
		assert.Empty(t, said.String(), name)
		left, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.Equal(t, text, string(left), name)
		_, err = readBoards(dir, d, io.Discard)
		want := map[string]string{"edited": "has a hole of 0.1 mm", "no board": "this is not a file of KiCad's"}[name]
		require.ErrorContains(t, err, want)
		assert.ErrorContains(t, err, "edit them in KiCad, or remove a board's file to begin it anew")
	}
	require.NoError(t, os.Remove(file))
	_, err = readBoards(dir, d, io.Discard)
	assert.ErrorContains(t, err, "go run ./hardware/gen begins it")
}

// KiCad finds nothing against the boards: clearance, creepage between the isolated groups, joints, room for the parts,
// print, and parity with the schematic.
func TestKiCadPassesThePrintedBoards(t *testing.T) {
	cli := need.Tool(t, "kicad-cli")
	for _, b := range design(t).Boards {
		t.Run(b.Name, func(t *testing.T) {
			found, err := drc(t.Context(), cli, filepath.Join(hardware, boards), b.Name, nil)
			require.NoError(t, err)
			assert.Empty(t, found)
		})
	}
}

// What is wrong is found: the check was not switched off.
func TestKiCadFindsFaultsOfPrintedBoards(t *testing.T) {
	cli := need.Tool(t, "kicad-cli")
	item := func(board, words string) string {
		for _, item := range regexp.MustCompile(`(?s)\n\t\(.*?\n\t\)`).FindAllString(board, -1) {
			if strings.Contains(item, words) {
				return item
			}
		}
		t.Fatalf("no item with %q", words)
		return ""
	}
	at := regexp.MustCompile(`\n\t\t\(at ([-0-9. ]+)\)`)
	for name, c := range map[string]struct {
		spoil func(board string) string
		want  []string
	}{
		"a via under an optocoupler": {func(b string) string {
			place := strings.Fields(at.FindStringSubmatch(item(b, `"Reference" "U20"`))[1])
			net := regexp.MustCompile(`\(net (\d+) "/GND"\)`).FindStringSubmatch(b)[1]
			return strings.TrimSuffix(b, ")\n") + "(via (at " + place[0] + " " + place[1] + ") (size 0.8) (drill 0.4) " +
				"(layers \"F.Cu\" \"B.Cu\") (net " + net + ") (uuid \"00000000-0000-4000-8000-000000000001\"))\n)\n"
		}, []string{"clearance: ", "creepage: "}},
		"no tracks": {func(b string) string {
			return regexp.MustCompile(`(?s)\n\t\(segment.*?\n\t\)`).ReplaceAllLiteralString(b, "")
		}, []string{"unconnected_items: "}},
		"a pad of another net": {func(b string) string {
			gnd := regexp.MustCompile(`\(net (\d+) "/GND"\)`).FindString(b)
			part := item(b, `"Reference" "J3"`)
			return strings.Replace(b, part, regexp.MustCompile(`\(net \d+ "/CAM_COM"\)`).ReplaceAllString(part, gnd), 1)
		}, []string{"net_conflict: "}},
		"a part on another": {func(b string) string {
			one, other := item(b, `"Reference" "R9"`), item(b, `"Reference" "R10"`)
			return strings.Replace(b, other, strings.Replace(other, at.FindString(other), at.FindString(one), 1), 1)
		}, []string{"courtyards_overlap: "}},
		"a part without its courtyard": {func(b string) string {
			part := item(b, `"Reference" "C7"`)
			without := regexp.MustCompile(`(?s)\n\t\t\(fp_[a-z]+\n(?:\t\t\t[^\n]*\n)*?\t\t\t\(layer "F.CrtYd"\)\n.*?\n\t\t\)`)
			return strings.Replace(b, part, without.ReplaceAllString(part, ""), 1)
		}, []string{"missing_courtyard: "}},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			text := read(t, boards, "outputs.kicad_pcb")
			spoiled := c.spoil(text)
			require.NotEqual(t, text, spoiled)
			list, err := drc(t.Context(), cli, filepath.Join(hardware, boards), "outputs", []byte(spoiled))
			require.NoError(t, err)
			found := strings.Join(list, "\n")
			for _, w := range c.want {
				assert.Contains(t, found, w)
			}
		})
	}
}

// The guide's commands for a board's maker work, and every leg, via and pillar gets its hole.
func TestPrintedBoardsCanBePlotted(t *testing.T) {
	cli := need.Tool(t, "kicad-cli")
	guide := read(t, "README.md")
	for _, b := range design(t).Boards {
		dir := t.TempDir()
		board := read(t, boards, b.Name+".kicad_pcb")
		require.NoError(t, os.WriteFile(filepath.Join(dir, b.Name+".kicad_pcb"), []byte(board), 0o600))
		for _, kind := range []string{"gerbers", "drill"} {
			require.Contains(t, guide, "kicad-cli pcb export "+kind+" outputs.kicad_pcb")
			cmd := exec.CommandContext(t.Context(), cli, "pcb", "export", kind, b.Name+".kicad_pcb")
			cmd.Dir, cmd.Env = dir, append(os.Environ(), "HOME="+dir, "TMPDIR="+dir)
			printed, err := cmd.CombinedOutput()
			require.NoError(t, err, string(printed))
		}
		for _, layer := range []string{"F_Cu.gtl", "B_Cu.gbl", "F_Mask.gts", "B_Mask.gbs", "F_Silkscreen.gto",
			"Edge_Cuts.gm1"} {
			assert.FileExists(t, filepath.Join(dir, b.Name+"-"+layer))
		}
		drilled, err := os.ReadFile(filepath.Join(dir, b.Name+".drl"))
		require.NoError(t, err)
		legs := 0
		for _, p := range b.Parts {
			legs += len(p.Pins)
		}
		const pillars = 4
		assert.Equal(t, legs+strings.Count(board, "\n\t(via\n")+pillars, strings.Count(string(drilled), "\nX"), b.Name)
	}
}
