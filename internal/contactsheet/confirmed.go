package contactsheet

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"stillwater/internal/frames"
	"stillwater/internal/match"
)

// said is what a person says now of which frame is which shot.
type said struct {
	pairs  []settledPair
	noShot []settledPair // frames of no shot
	any    []settledPair // frames of which what was said before counts no more
	freed  map[int]bool  // shots of which what was said before counts no more
}

type settledPair struct {
	text string
	shot int
	name string
}

// Assign takes what a person knows. SHOT=FILE is a pair: the shot's number, and the file's name or number. none=FILE
// says that the frame is of no shot. SHOT=none takes back what was said of the shot before, and any=FILE what was said
// of the frame.
func (o *Options) Assign(text string) error {
	number, name, _ := strings.Cut(text, "=")
	if name == "" {
		return errMatch
	}
	switch number {
	case "none":
		o.NoShot(name)
		return nil
	case "any":
		o.TakeBack(name)
		return nil
	}
	shot, err := strconv.Atoi(number)
	if err != nil {
		return errMatch
	}
	if name == "none" {
		if o.said.freed == nil {
			o.said.freed = map[int]bool{}
		}
		o.said.freed[shot] = true
		return nil
	}
	o.Match(shot, name)
	return nil
}

// Match says that a frame is the shot of that number.
func (o *Options) Match(shot int, frame string) {
	o.said.pairs = append(o.said.pairs, settledPair{fmt.Sprintf("%d=%s", shot, frame), shot, frame})
}

// NoShot says that a frame is of no shot.
func (o *Options) NoShot(frame string) {
	o.said.noShot = append(o.said.noShot, settledPair{text: "none=" + frame, name: frame})
}

// TakeBack has what was said of a frame before count no more.
func (o *Options) TakeBack(frame string) {
	o.said.any = append(o.said.any, settledPair{text: "any=" + frame, name: frame})
}

// InFolder makes of paths to frames, as a shell completes them, their names within the folder of the frames.
func (o *Options) InFolder(dir string) {
	o.Measure.Empty, o.Black = nameIn(dir, o.Measure.Empty), nameIn(dir, o.Black)
	for _, list := range [][]settledPair{o.said.pairs, o.said.noShot, o.said.any} {
		for i := range list {
			list[i].name = nameIn(dir, list[i].name)
		}
	}
}

// nameIn is what a file is called within a folder, by its path; a name that is no path to such a file stays.
func nameIn(dir, name string) string {
	there := func(path string) bool { _, err := os.Lstat(path); return err == nil }
	if name == "" || there(filepath.Join(dir, name)) || !there(name) {
		return name
	}
	from, err := filepath.Abs(dir)
	to, err2 := filepath.Abs(name)
	within, err3 := filepath.Rel(from, to)
	if errors.Join(err, err2, err3) != nil || !filepath.IsLocal(within) {
		return name
	}
	return filepath.ToSlash(within)
}

// settledPairs finds the rows and frames of what a person says now and said before, and the frames that are of no shot.
// What is said now replaces what was said of the same shot or frame.
func (s *Sheet) settledPairs(timed []frames.Frame) (pairs []match.Pair, _ error) {
	for number := range s.said.freed {
		if s.rowOf(number) < 0 {
			return nil, s.unknownShot(fmt.Sprintf("%d=none", number), number)
		}
	}
	anew, paired := map[int]bool{}, map[int]string{} // frames, by their places
	for _, p := range s.said.pairs {
		row := s.rowOf(p.shot)
		if row < 0 {
			return nil, s.unknownShot(p.text, p.shot)
		}
		frame, why := findNamed(timed, p.name)
		if why != "" {
			return nil, &MatchError{Text: p.text, Shot: p.shot, Why: why}
		}
		anew[frame], paired[frame] = true, p.text
		pairs = append(pairs, match.Pair{Shot: row, Frame: frame})
	}
	for _, p := range slices.Concat(s.said.noShot, s.said.any) {
		frame, why := findNamed(timed, p.name)
		if text := paired[frame]; why == "" && text != "" {
			why = fmt.Sprintf("that was said of both %s and %s: leave one of them out", oneLine(timed[frame].Name), text)
		}
		if why != "" {
			return nil, &MatchError{Text: p.text, Why: why}
		}
		anew[frame] = true
	}
	for _, p := range s.said.noShot {
		frame, _ := findNamed(timed, p.name)
		s.noShot[timed[frame].Name] = true
	}
	return append(pairs, s.settledBefore(timed, pairs, anew)...), nil
}

// settledBefore are the pairs that a person settled before, but for those of shots and frames of which something is
// said anew.
func (s *Sheet) settledBefore(timed []frames.Frame, now []match.Pair, anew map[int]bool) (pairs []match.Pair) {
	taken := map[int]bool{}
	for _, p := range now {
		taken[p.Shot] = true
	}
	for i, f := range timed {
		k := s.known[f.Name]
		if k == nil || !k.Settled || anew[i] {
			continue
		}
		if k.Shot == 0 {
			s.noShot[f.Name] = true
			continue
		}
		if row := s.rowOf(k.Shot); row >= 0 && !taken[row] && !s.said.freed[k.Shot] {
			pairs = append(pairs, match.Pair{Shot: row, Frame: i})
		}
	}
	return pairs
}

// Contradiction is two statements by a person that no single camera clock fits: the earlier shot first. Until one is
// taken back nothing of that boot of the machine is certain.
type Contradiction struct {
	Frames     [2]string
	Shots      [2]int
	ShotsApart time.Duration
	Apart      time.Duration // the frames
}

// Words say it in sentences, with what to do where both are right: one clock is looked for in all of a boot.
func (c *Contradiction) Words() string {
	frames := "the frames"
	if c.Apart < 0 {
		frames = "the frames the other way round,"
	}
	return fmt.Sprintf("You said that %s is shot %d, and that %s is shot %d: the shots are %s apart, %s %s. "+
		"Until one is taken back no match is certain: the wrong one; or, if the camera's clock was set between them, the "+
		"one on the side with fewer frames, as these are matched by one clock only.",
		oneLine(c.Frames[0]), c.Shots[0], oneLine(c.Frames[1]), c.Shots[1], apartWords(c.ShotsApart), frames,
		apartWords(c.Apart))
}

// apartWords are a time to the second, whichever way it goes.
func apartWords(d time.Duration) string {
	d = d.Round(time.Second).Abs()
	text := ""
	for _, unit := range []struct {
		name string
		long time.Duration
	}{{"h", time.Hour}, {"min", time.Minute}, {"s", time.Second}} {
		if n := d / unit.long; n > 0 {
			text += fmt.Sprintf("%d %s ", n, unit.name)
		}
		d %= unit.long
	}
	return cmp.Or(strings.TrimSpace(text), "0 s")
}

// ForCommandLine is Words with what to do about it there.
func (c *Contradiction) ForCommandLine() string {
	return fmt.Sprintf("%s Take one back with --match %d=none or --match %d=none.", c.Words(), c.Shots[0], c.Shots[1])
}

// contradictionOf describes the contradiction between two settled pairs.
func contradictionOf(one, two *Row) Contradiction {
	return Contradiction{[2]string{one.Frame.Name, two.Frame.Name}, [2]int{one.Shot.Number, two.Shot.Number},
		two.Shot.At.Sub(one.Shot.At), two.Frame.Taken.Sub(one.Frame.Taken)}
}

// rowOf is the place of a shot; -1: it is not there.
func (s *Sheet) rowOf(number int) int {
	return slices.IndexFunc(s.Rows, func(r Row) bool { return r.Shot.Number == number })
}

func (s *Sheet) unknownShot(text string, number int) error {
	return &MatchError{Text: text, Shot: number, Why: fmt.Sprintf("session %d has no shot %d", s.Session.ID, number)}
}

// findNamed finds the frame that a person means by a name: the one whose own name it is before others; or why there is
// none.
func findNamed(timed []frames.Frame, name string) (frame int, why string) {
	frame = slices.IndexFunc(timed, func(f frames.Frame) bool { return f.Name == name })
	if frame >= 0 {
		return frame, ""
	}
	for i, f := range timed {
		if !isNamed(f, name) {
			continue
		}
		if frame >= 0 {
			return frame, fmt.Sprintf("both %s and %s are called that; give the folder too", timed[frame].Name, f.Name)
		}
		frame = i
	}
	if frame < 0 {
		return frame, fmt.Sprintf("no file with a time in it is called %s", name)
	}
	return frame, ""
}

// isNamed reports whether a person may mean a frame by that: its name, that of one of its files, or its number; or the
// name of a duplicate.
func isNamed(f frames.Frame, name string) bool {
	number, err := strconv.Atoi(name)
	same := func(other string) bool {
		stem := strings.TrimSuffix(name, path.Ext(name))
		return slices.Contains([]string{name, stem}, other) || slices.Contains([]string{name, stem}, path.Base(other))
	}
	return f.Name == name || path.Base(f.Name) == name || err == nil && number != 0 && f.Number == number ||
		slices.ContainsFunc(f.Same, same) ||
		slices.ContainsFunc(f.Files, func(file frames.File) bool { return file.Name == name || path.Base(file.Name) == name })
}
