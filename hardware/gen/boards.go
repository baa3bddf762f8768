package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
	"stillwater/hardware/layout"
)

// boards is the folder of KiCad's projects: all in it is generated but the boards themselves, which people edit.
const boards = "boards"

func boardFile(dir, name string) string { return filepath.Join(dir, boards, name+".kicad_pcb") }

// projects makes what surrounds the boards in KiCad: schematics, rules, settings and libraries.
func projects(d *circuit.Design) (files, error) {
	out := files{}
	for _, b := range d.Boards {
		var err error
		out[b.Name+".kicad_sch"], out[b.Name+".kicad_dru"] = b.KiCad(), layout.KiCadRules(b)
		if out[b.Name+".kicad_pro"], err = layout.KiCadProject(b); err != nil {
			return nil, err
		}
	}
	out["sym-lib-table"], out["fp-lib-table"] = circuit.KiCadLibraryTables()
	out[circuit.Library+".kicad_sym"] = d.KiCadSymbols()
	for name, text := range layout.Footprints(d) {
		out[circuit.Library+".pretty/"+name+".kicad_mod"] = text
	}
	return out, nil
}

// begin writes a board where there is none, and says so. One that is there belongs to those who edit it.
func begin(dir string, d *circuit.Design, tell io.Writer) error {
	for _, b := range d.Boards {
		file := boardFile(dir, b.Name)
		if _, err := os.Stat(file); !errors.Is(err, fs.ErrNotExist) {
			if err != nil {
				return err
			}
			continue
		}
		plan, err := layout.Place(b)
		if err != nil {
			return fmt.Errorf("board %s: %w", b.Name, err)
		}
		if err := os.WriteFile(file, []byte(plan.KiCad()), 0o644); err != nil {
			return err
		}
		fmt.Fprintf(tell,
			"%s: begun. Open it in KiCad, draw its tracks, press B to fill its zone, save it: it is yours to edit\n", file)
	}
	return nil
}

// readBoards reads the boards and checks them, a line of progress for each; the error lists all that is wrong, board by
// board.
func readBoards(dir string, d *circuit.Design, progress io.Writer) ([]*layout.Printed, error) {
	var list []*layout.Printed
	var wrong []error
	for _, b := range d.Boards {
		file := boardFile(dir, b.Name)
		text, err := os.ReadFile(file)
		if errors.Is(err, fs.ErrNotExist) {
			err = fmt.Errorf("%w: go run ./hardware/gen begins it", err)
		}
		if err != nil {
			return nil, err
		}
		p, err := layout.ReadPrinted(b, file, string(text))
		if err != nil {
			wrong = append(wrong, err)
			continue
		}
		found := p.Check()
		fmt.Fprintf(progress, "%s: checked; findings: %d\n", b.Name, len(found))
		for _, f := range found {
			wrong = append(wrong, fmt.Errorf("%s: %s: %s", file, f.Rule, f.What))
		}
		list = append(list, p)
	}
	if len(wrong) > 0 {
		return nil,
			fmt.Errorf("the boards are not as circuits.txt and the rules have them; edit them in KiCad, or remove a board's "+
				"file to begin it anew:\n%w", errors.Join(wrong...))
	}
	return list, nil
}

// lay gives the design the copper of its boards, so that decks are simulated with what it resists.
func lay(list []*layout.Printed) {
	for _, p := range list {
		for net, c := range p.Resistances() {
			p.Board.Lay(net, c)
		}
	}
}

// checkBoards checks the boards, by KiCad's rules too where it is installed, and says what it did.
func checkBoards(ctx context.Context, dir string, d *circuit.Design, tell, progress io.Writer) error {
	list, err := readBoards(dir, d, progress)
	if err != nil {
		return err
	}
	cli, err := exec.LookPath("kicad-cli")
	if err != nil {
		fmt.Fprintf(tell, "%d boards checked; not by KiCad's own rules, for there is no kicad-cli on PATH\n", len(list))
		return nil
	}
	for _, b := range d.Boards {
		found, err := drc(ctx, cli, filepath.Join(dir, boards), b.Name, nil)
		if err != nil {
			return err
		}
		if len(found) > 0 {
			return fmt.Errorf("%s: KiCad finds:\n%s", boardFile(dir, b.Name), strings.Join(found, "\n"))
		}
		fmt.Fprintf(progress, "%s: checked by KiCad's rules\n", b.Name)
	}
	fmt.Fprintf(tell, "%d boards checked, by KiCad's rules too\n", len(list))
	return nil
}

// drc is what KiCad finds about a board, errors and warnings alike, with their places. It works on a copy, with other
// text for the board where there is one: KiCad writes beside what it reads.
func drc(ctx context.Context, cli, from, name string, board []byte) (found []string, err error) {
	dir, err := os.MkdirTemp("", "stillwater-board")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	if err := os.CopyFS(dir, os.DirFS(from)); err != nil {
		return nil, err
	}
	file, report := filepath.Join(dir, name+".kicad_pcb"), filepath.Join(dir, "drc.json")
	if board != nil {
		if err := os.WriteFile(file, board, 0o600); err != nil {
			return nil, err
		}
	}
	cmd := exec.CommandContext(ctx, cli, "pcb", "drc", "--schematic-parity", "--severity-all", "--format", "json",
		"-o", report,
		file)
	cmd.Env = append(os.Environ(), "HOME="+dir, "TMPDIR="+dir)
	if printed, err := cmd.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("kicad-cli: %w: %s", err, printed)
	}
	text, err := os.ReadFile(report)
	if err != nil {
		return nil, err
	}
	type violation struct {
		Type, Description string
		Items             []struct {
			Description string
			Pos         struct{ X, Y float64 }
		}
	}
	var list struct {
		Violations  []violation
		Unconnected []violation `json:"unconnected_items"`
		Schematic   []violation `json:"schematic_parity"`
	}
	if err := json.Unmarshal(text, &list); err != nil {
		return nil, err
	}
	for _, v := range slices.Concat(list.Violations, list.Unconnected, list.Schematic) {
		what := v.Type + ": " + v.Description
		for _, i := range v.Items {
			what += fmt.Sprintf("; %s at %.2f, %.2f mm", i.Description, i.Pos.X, i.Pos.Y)
		}
		found = append(found, what)
	}
	return found, nil
}
