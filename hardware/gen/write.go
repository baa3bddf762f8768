package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"

	"stillwater/hardware/circuit"
	"stillwater/hardware/head"
	"stillwater/hardware/layout"
)

// files are generated files: text by name in their folder, with slashes.
type files map[string]string

// there lists the files of a folder and those below it, by their names within it, with slashes.
func there(dir string) (names []string, err error) {
	err = fs.WalkDir(os.DirFS(dir), ".", func(name string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			names = append(names, name)
		}
		return err
	})
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return names, err
}

// measure runs all decks and checks their limits.
func (l *simulator) measure(ctx context.Context) ([]circuit.Row, error) {
	results, err := l.run(ctx)
	if err != nil {
		return nil, err
	}
	rows, err := results.Rows(l.limits, l.corners)
	if err != nil {
		return nil, err
	}
	return rows, outside(rows)
}

// outside lists the values that do not keep their limits.
func outside(rows []circuit.Row) error {
	var bad []error
	for _, r := range rows {
		if !r.Within() {
			bad = append(bad, fmt.Errorf("%s %s is %.3g to %.3g %s, allowed %.3g to %.3g: %s", r.Deck, r.Measure, r.Least,
				r.Most, r.Unit, r.Low, r.High, r.Reason))
		}
	}
	return errors.Join(bad...)
}

// generate makes all files from the description and the measured values; drawn has the boards of
// which there is a drawing only.
func generate(d, drawn *circuit.Design, rows []circuit.Row) (files, error) {
	delays, err := circuit.Delays(rows)
	if err != nil {
		return nil, err
	}
	out, err := layouts(d)
	if err != nil {
		return nil, err
	}
	bought := circuit.Design{Boards: d.Boards}
	if piezo := drawn.Board("piezo"); piezo != nil {
		bought.Boards = append(slices.Clone(d.Boards), piezo)
	}
	maps.Copy(out, files{"measured.csv": circuit.Table(rows), "delays.csv": delays, "parts.csv": bought.Parts(),
		"shopping.csv": bought.Shopping(), "wiring.csv": bought.Wiring(), "carriers.csv": d.Headers()})
	for _, b := range d.Boards {
		out[b.Name+".svg"] = b.SVG()
	}
	out["head.svg"] = head.Usual().SVG()
	pictures, err := stepPictures(d)
	if err != nil {
		return nil, err
	}
	maps.Copy(out, pictures)
	if pictures, err = sketchedSteps(d); err != nil {
		return nil, err
	}
	maps.Copy(out, pictures)
	if pictures, err = firstPictures(d); err != nil {
		return nil, err
	}
	maps.Copy(out, pictures)
	for _, b := range drawn.Boards {
		out[b.Name+".svg"] = b.SVG()
	}
	return out, nil
}

// guide fills the generated parts of the build guide in.
func guide(page string, d *circuit.Design, rows []circuit.Row) (string, error) {
	page, err := circuit.Fill(page, "cautions", circuit.Cautions())
	if err != nil {
		return "", err
	}
	bare, err := bareRange(rows)
	if err != nil {
		return "", err
	}
	for name, text := range map[string]string{"pinouts": d.PinOuts(), "heads": head.Guide(bare)} {
		if page, err = circuit.Fill(page, name, text); err != nil {
			return "", err
		}
	}
	for name, table := range map[string]func([]circuit.Row) (string, error){
		"expected": circuit.Expected, "occlusions": circuit.Occlusions,
	} {
		text, err := table(rows)
		if err != nil {
			return "", err
		}
		if page, err = circuit.Fill(page, name, text); err != nil {
			return "", err
		}
	}
	return page, nil
}

// What the modulated beams' range is worked out with: the weakest emitter of its class at its rated current and a
// photodiode of 7 mm2 (both from memory), and the least light that the decks have.
const (
	weakEmitter   = 56.0  // mW/sr
	ratedCurrent  = 70e-3 // A
	photodiode    = 50e-6 // A at 1 mW/cm2
	minLight      = 5e-6  // A
	mmInACm       = 10.0
	modulatedDeck = "modulated"
)

// bareRange is how far in millimetres the weakest emitter, at the least current of all corners, may stand from the
// photodiode without slits.
func bareRange(rows []circuit.Row) (float64, error) {
	i := slices.IndexFunc(rows, func(r circuit.Row) bool { return r.Deck == modulatedDeck && r.Measure == "i_peak" })
	if i < 0 {
		return 0, fmt.Errorf("range of the modulated beams: deck %s has no i_peak", modulatedDeck)
	}
	return mmInACm * math.Sqrt(weakEmitter*rows[i].Least/ratedCurrent*photodiode/minLight), nil
}

// firstGuide fills in the generated parts of the guide to the first build.
func firstGuide(page string, d *circuit.Design, rows []circuit.Row) (string, error) {
	expected, err := circuit.ExpectedFirst(rows)
	if err != nil {
		return "", err
	}
	texts := map[string]string{"cautions": circuit.Cautions(), "expected": expected, "parts": d.PartsOf("first"),
		"light": head.TapedGuide()}
	b := d.Board("first")
	if len(b.Strips) > 0 {
		texts["joints"] = layout.JointList(layout.PlaceStrips(b, b.Strips[0]))
	}
	for _, s := range b.Strips {
		texts[string(s.Kind)] = layout.StripList(layout.PlaceStrips(b, s))
	}
	for _, name := range slices.Sorted(maps.Keys(texts)) {
		if page, err = circuit.Fill(page, name, texts[name]); err != nil {
			return "", err
		}
	}
	return page, nil
}

// writeGuides does so in the files.
func writeGuides(dir string, d *circuit.Design, rows []circuit.Row) error {
	for name, fill := range map[string]func(string) (string, error){
		"README.md": func(page string) (string, error) { return guide(page, d, rows) },
		"FIRST.md":  func(page string) (string, error) { return firstGuide(page, d, rows) },
	} {
		path := filepath.Join(dir, name)
		page, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		filled, err := fill(string(page))
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if err := os.WriteFile(path, []byte(filled), 0o644); err != nil {
			return err
		}
	}
	return nil
}

// replace writes the files and removes those that are no longer generated.
func (f files) replace(dir string) error {
	old, err := there(dir)
	if err != nil {
		return err
	}
	for _, name := range old {
		if _, still := f[name]; !still {
			if err := os.Remove(filepath.Join(dir, name)); err != nil {
				return err
			}
		}
	}
	return f.write(dir)
}

// write writes the files.
func (f files) write(dir string) error {
	for _, name := range slices.Sorted(maps.Keys(f)) {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, name), []byte(f[name]), 0o644); err != nil {
			return err
		}
	}
	return nil
}
