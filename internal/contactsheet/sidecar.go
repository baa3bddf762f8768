package contactsheet

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"stillwater/internal/frames"
	"stillwater/internal/match"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/xmp"
)

// Ratings in sidecar files: own choice, so that the keepers come first and a person has room between.
const (
	keeperStars = 5
	goodStars   = 3
)

// sidecarOf is what is written of a row. Whoever calls an evening's set something else finds its lengths in the
// keywords.
func (s *Sheet) sidecarOf(r *Row, sets *shot.Outcomes) xmp.Fields {
	f := xmp.Fields{Label: string(r.Shot.Verdict), Description: r.Shot.Note}
	switch {
	case r.Shot.Star:
		f.Rating = keeperStars
	case r.Shot.Verdict == record.Good:
		f.Rating = goodStars
	}
	f.Keywords = []string{"stillwater", fmt.Sprintf("session %d", s.Session.ID), fmt.Sprintf("shot %d", r.Shot.Number),
		fmt.Sprintf("delay %.1f ms", float64(r.Shot.DelayNs)/1e6)}
	if s.Session.Name != "" {
		f.Keywords = append(f.Keywords, s.Session.Name)
	}
	set, err := sets.ParseSet(r.Shot.Set)
	if err != nil || r.Shot.Set == "" {
		return f
	}
	f.Keywords = append(f.Keywords, string(set.Kind))
	for _, v := range set.Values() {
		group, name, _ := strings.Cut(v.Field, ".")
		if group == "trim" {
			name, group = group, name
		}
		if set.Kind.Uses(v.Field) && group == string(set.Kind) && slices.Contains(inKeywords, name) {
			f.Keywords = append(f.Keywords, strings.ReplaceAll(name, "_", " ")+" "+v.Text)
		}
	}
	return f
}

// inKeywords are the fields of a set that keywords name: what a person would look for.
var inKeywords = []string{"height", "nozzle", "liquid", "phase", "want", "to_focus", "distance", "trim"}

// writeSidecars writes the sidecars of all certain frames. A file that cannot be read or written is named, and stays as
// it is; the others are written.
func (s *Sheet) writeSidecars(ctx context.Context, folder *frames.Folder, f Files) error {
	written, failed, left, rows := 0, 0, 0, 0
	var sets shot.Outcomes
	for i := range s.Rows {
		r := &s.Rows[i]
		if ctx.Err() != nil {
			return fmt.Errorf("stopped; sidecar files written: %d; the same command writes the others", written)
		}
		if r.Frame == nil || r.Sure != match.Certain || s.away[r.Frame.Name] {
			left++
			continue
		}
		var kept []string
		would := "written"
		name, changed, err := folder.Sidecar(*r.Frame, f.DryRun, func(old []byte) ([]byte, error) {
			if old != nil {
				would = "changed"
			}
			m, err := xmp.Merge(old, s.sidecarOf(r, &sets))
			kept = m.Kept
			return m.Text, err
		})
		rows++
		switch {
		case err != nil:
			failed++
			fmt.Fprintf(f.Say, "stillwater: frames: %s; left unchanged\n", oneLine(err.Error()))
		case changed && f.DryRun:
			fmt.Fprintf(f.Say, "Would be %s: %s\n", would, oneLine(name))
		case changed:
			written++
		}
		if len(kept) > 0 {
			fmt.Fprintf(f.Say, "%s: %s from another program kept\n", oneLine(name), strings.Join(kept, " and "))
		}
	}
	if f.DryRun {
		return nil
	}
	fmt.Fprintf(f.Say, "Sidecar files: %d written, %d up to date", written, rows-written-failed)
	if left > 0 {
		fmt.Fprintf(f.Say, "; shots without a certain frame here: %d", left)
	}
	fmt.Fprintln(f.Say, ".")
	if failed > 0 {
		return fmt.Errorf("sidecar files that could not be written, left unchanged: %d", failed)
	}
	return nil
}
