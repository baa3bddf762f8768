package main

import (
	"encoding/json"
	"encoding/xml"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
	"stillwater/internal/need"
)

// What KiCad reads from the schematics is our netlist, and its electrical rule check finds neither error nor warning.
func TestKiCadReadsTheSameCircuit(t *testing.T) {
	cli := need.Tool(t, "kicad-cli")
	for _, b := range design(t).Boards {
		t.Run(b.Name, func(t *testing.T) {
			dir := t.TempDir()
			sheet := filepath.Join(dir, b.Name+".kicad_sch")
			copyProject(t, dir)
			require.NoError(t, os.WriteFile(sheet, []byte(b.KiCad()), 0o600))
			run := func(args ...string) {
				cmd := exec.CommandContext(t.Context(), cli, args...)
				cmd.Env = append(os.Environ(), "HOME="+dir, "TMPDIR="+dir)
				printed, err := cmd.CombinedOutput()
				require.NoError(t, err, string(printed))
			}
			list := filepath.Join(dir, "list.xml")
			run("sch", "export", "netlist", "--format", "kicadxml", "-o", list, sheet)
			want := map[string]string{}
			for net, nodes := range b.Netlist() {
				var pins []string
				for _, n := range nodes {
					pins = append(pins, n.Ref+"."+n.Pin)
				}
				slices.Sort(pins)
				want[net] = strings.Join(pins, " ")
			}
			assert.Equal(t, want, kicadNets(t, list))
			report := filepath.Join(dir, "erc.json")
			run("sch", "erc", "--format", "json", "--severity-all", "-o", report, sheet)
			var erc struct {
				Sheets []struct {
					Violations []struct{ Type, Description string }
				}
			}
			text, err := os.ReadFile(report)
			require.NoError(t, err)
			require.NoError(t, json.Unmarshal(text, &erc))
			require.NotEmpty(t, erc.Sheets)
			for _, s := range erc.Sheets {
				assert.Empty(t, s.Violations)
			}
		})
	}
}

// copyProject copies what belongs to the schematics: settings and libraries.
func copyProject(t *testing.T, dir string) {
	t.Helper()
	names, err := there(filepath.Join(hardware, boards))
	require.NoError(t, err)
	for _, name := range names {
		if strings.HasSuffix(name, ".kicad_pro") || strings.HasSuffix(name, "lib-table") ||
			strings.HasPrefix(name, circuit.Library+".") {
			file := filepath.Join(dir, name)
			require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
			require.NoError(t, os.WriteFile(file, []byte(read(t, boards, name)), 0o600))
		}
	}
}

// KiCad draws the wires when it exports a schematic itself: as many lines more as there are wires, none of them of no
// width, and the numbers of the pins keep off the names of the nets.
func TestKiCadShowsTheWires(t *testing.T) {
	cli := need.Tool(t, "kicad-cli")
	for _, b := range design(t).Boards {
		t.Run(b.Name, func(t *testing.T) {
			dir := t.TempDir()
			copyProject(t, dir)
			export := func(text string) string {
				sheet := filepath.Join(dir, b.Name+".kicad_sch")
				require.NoError(t, os.WriteFile(sheet, []byte(text), 0o600))
				cmd := exec.CommandContext(t.Context(), cli, "sch", "export", "svg", "-o", dir, sheet)
				cmd.Env = append(os.Environ(), "HOME="+dir, "TMPDIR="+dir)
				printed, err := cmd.CombinedOutput()
				require.NoError(t, err, string(printed))
				svg, err := os.ReadFile(filepath.Join(dir, b.Name+".svg"))
				require.NoError(t, err)
				return string(svg)
			}
			const wireStyle = "stroke-width:0.1524;" // 6 thousandths of an inch
			text := b.KiCad()
			wires := regexp.MustCompile(`(?m)^\(wire .*\n`)
			count := len(wires.FindAllString(text, -1))
			require.Positive(t, count)
			lines := func(svg string) int { return strings.Count(svg, "<path ") + strings.Count(svg, "<polyline ") }
			with, without := export(text), export(wires.ReplaceAllString(text, ""))
			assert.Contains(t, with, wireStyle)
			assert.NotContains(t, with, "stroke-width:0.0000")
			assert.GreaterOrEqual(t, lines(with)-lines(without), count)
		})
	}
}

// A label that was mixed up is seen, and so is a wire that is missing.
func TestKiCadSeesAnotherCircuit(t *testing.T) {
	cli := need.Tool(t, "kicad-cli")
	b := design(t).Board("outputs")
	text := b.KiCad()
	nets := func(spoiled string) map[string]string {
		require.NotEqual(t, text, spoiled)
		dir := t.TempDir()
		sheet, list := filepath.Join(dir, "outputs.kicad_sch"), filepath.Join(dir, "list.xml")
		require.NoError(t, os.WriteFile(sheet, []byte(spoiled), 0o600))
		cmd := exec.CommandContext(t.Context(), cli, "sch", "export", "netlist", "--format", "kicadxml", "-o", list, sheet)
		cmd.Env = append(os.Environ(), "HOME="+dir, "TMPDIR="+dir)
		printed, err := cmd.CombinedOutput()
		require.NoError(t, err, string(printed))
		return kicadNets(t, list)
	}
	mixed := nets(strings.Replace(text, `(label "CAM_COM"`, `(label "GND"`, 1))
	assert.NotContains(t, mixed["CAM_COM"], "U20.3")
	assert.Contains(t, mixed["GND"], "U20.3")
	wire := regexp.MustCompile(`(?m)^\(wire .*$`).FindString(text)
	open := nets(strings.Replace(text, wire, "", 1))
	whole := 0
	for net, nodes := range b.Netlist() {
		if len(strings.Fields(open[net])) == len(nodes) {
			whole++
		}
	}
	assert.Equal(t, len(b.Netlist())-1, whole, "one net of the circuit lost a pin")
}

// kicadNets reads KiCad's netlist, without the nets that are one open pin.
func kicadNets(t *testing.T, file string) map[string]string {
	t.Helper()
	var list struct {
		Nets []struct {
			Name  string `xml:"name,attr"`
			Nodes []struct {
				Ref string `xml:"ref,attr"`
				Pin string `xml:"pin,attr"`
			} `xml:"node"`
		} `xml:"nets>net"`
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, xml.Unmarshal(text, &list))
	nets := map[string]string{}
	for _, n := range list.Nets {
		var pins []string
		for _, at := range n.Nodes {
			pins = append(pins, at.Ref+"."+at.Pin)
		}
		slices.Sort(pins)
		if !strings.HasPrefix(n.Name, "unconnected-") {
			nets[strings.TrimPrefix(n.Name, "/")] = strings.Join(pins, " ")
		}
	}
	return nets
}
