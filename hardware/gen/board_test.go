package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// drc is what KiCad finds about a board: the types of violations, errors and warnings alike.
func drc(t *testing.T, cli, name string, board func(string) string) (found []string) {
	t.Helper()
	dir := t.TempDir()
	for _, ext := range []string{".kicad_pcb", ".kicad_dru", ".kicad_pro", ".kicad_sch"} {
		text := read(t, "generated", name+ext) // another test holds it to the description
		if ext == ".kicad_pcb" {
			text = board(text)
		}
		require.NoError(t, os.WriteFile(filepath.Join(dir, name+ext), []byte(text), 0o600))
	}
	report := filepath.Join(dir, "drc.json")
	cmd := exec.CommandContext(t.Context(), cli, "pcb", "drc", "--schematic-parity", "--severity-all", "--format", "json",
		"-o", report, filepath.Join(dir, name+".kicad_pcb"))
	cmd.Env = append(os.Environ(), "HOME="+dir, "TMPDIR="+dir)
	printed, err := cmd.CombinedOutput()
	require.NoError(t, err, string(printed))
	text, err := os.ReadFile(report)
	require.NoError(t, err)
	type violation struct{ Type, Description string }
	var list struct {
		Violations  []violation
		Unconnected []violation `json:"unconnected_items"`
		Schematic   []violation `json:"schematic_parity"`
	}
	require.NoError(t, json.Unmarshal(text, &list))
	for _, v := range slices.Concat(list.Violations, list.Unconnected, list.Schematic) {
		found = append(found, v.Type+": "+v.Description)
	}
	return found
}

// KiCad finds nothing against the printed boards: clearance, creepage between the isolated groups, joints, room for the
// parts, print, and parity with the schematic.
func TestKiCadPassesThePrintedBoards(t *testing.T) {
	cli := need.Tool(t, "kicad-cli")
	for _, b := range design(t).Boards {
		t.Run(b.Name, func(t *testing.T) {
			assert.Empty(t, drc(t, cli, b.Name, func(board string) string { return board }))
		})
	}
}

// What is wrong is found: the check was not switched off.
func TestKiCadFindsFaultsOfPrintedBoards(t *testing.T) {
	cli := need.Tool(t, "kicad-cli")
	for name, c := range map[string]struct {
		spoil func(board string) string
		want  []string
	}{
		"a track under an optocoupler": {func(b string) string {
			at := regexp.MustCompile(`\(at ([0-9. ]+)\)\n\(property "Reference" "U20"`).FindStringSubmatch(b)[1]
			net := regexp.MustCompile(`\(net (\d+) "/GND"\)`).FindStringSubmatch(b)[1]
			return strings.TrimSuffix(b, ")\n") + "(via (at " + at + ") (size 0.8) (drill 0.4) " +
				"(layers \"F.Cu\" \"B.Cu\") (net " + net + ") (uuid \"00000000-0000-4000-8000-000000000001\"))\n)\n"
		}, []string{"clearance: ", "creepage: "}},
		"a track cut": {func(b string) string {
			return regexp.MustCompile(`\(segment [^\n]*\n`).ReplaceAllLiteralString(b, "")
		}, []string{"unconnected_items: "}},
		"a pad of another net": {func(b string) string {
			return strings.Replace(b, `"/CAM_COM") (uuid`, `"/GND") (uuid`, 1)
		}, []string{"net_conflict: "}},
		"a part on another": {func(b string) string {
			at := regexp.MustCompile(`\(at ([0-9. ]+)\)\n\(property "Reference" "R9"`).FindStringSubmatch(b)[1]
			return regexp.MustCompile(`\(at [0-9. ]+\)(\n\(property "Reference" "R10")`).ReplaceAllString(b, "(at "+at+")$1")
		}, []string{"courtyards_overlap: "}},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			found := strings.Join(drc(t, cli, "outputs", c.spoil), "\n")
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
		board := read(t, "generated", b.Name+".kicad_pcb")
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
		assert.Equal(t, legs+strings.Count(board, "\n(via ")+pillars, strings.Count(string(drilled), "\nX"), b.Name)
	}
}
