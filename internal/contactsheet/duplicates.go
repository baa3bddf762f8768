package contactsheet

import (
	"cmp"
	"context"
	"path"
	"slices"
	"strings"
	"time"

	"stillwater/internal/frames"
)

// Duplicate is a frame of which another, Of, has the same content, as one that was copied twice. It counts once.
type Duplicate struct {
	Frame string `json:"frame"`
	Of    string `json:"of"`
}

// sameAs says of which frame another has the same content, while both have the files that were compared.
type sameAs struct {
	Of    string `json:"of"`
	Files string `json:"files"` // of that one, as its record has them
}

// dropDuplicates returns the frames without those of which another has the same content: two frames of one moment
// would leave no match certain. What a person said of one holds for the other.
func (s *Sheet) dropDuplicates(ctx context.Context, folder *frames.Folder, timed []frames.Frame) (
	[]frames.Frame, error,
) {
	type moment struct {
		taken time.Time
		step  time.Duration
	}
	ordered := slices.Clone(timed)
	slices.SortStableFunc(ordered, s.bestFirst)
	kept := map[moment][]*frames.Frame{}
	dropped := map[string]bool{}
	for i := range ordered {
		f, at := &ordered[i], moment{ordered[i].Taken, ordered[i].Step}
		n, err := s.indexSame(ctx, folder, kept[at], f)
		if err != nil {
			return nil, err
		}
		if n < 0 {
			kept[at] = append(kept[at], f)
			continue
		}
		of := kept[at][n]
		of.Same = append(of.Same, f.Name)
		dropped[f.Name] = true
		s.inherit(of.Name, f.Name)
		s.Duplicates = append(s.Duplicates, Duplicate{f.Name, of.Name})
	}
	slices.SortFunc(s.Duplicates, func(a, b Duplicate) int { return strings.Compare(a.Frame, b.Frame) })
	ordered = slices.DeleteFunc(ordered, func(f frames.Frame) bool { return dropped[f.Name] })
	slices.SortFunc(ordered, func(a, b frames.Frame) int { return strings.Compare(a.Name, b.Name) })
	return ordered, nil
}

// bestFirst has the frame first that is to stay of two: with more files, of which a person said something, and with the
// shorter name, as copies are called by longer ones.
func (s *Sheet) bestFirst(a, b frames.Frame) int {
	unsettled := func(f frames.Frame) int {
		if k := s.known[f.Name]; k != nil && k.Settled {
			return 0
		}
		return 1
	}
	return cmp.Or(cmp.Compare(len(b.Files), len(a.Files)), cmp.Compare(unsettled(a), unsettled(b)),
		cmp.Compare(len(a.Name), len(b.Name)), cmp.Compare(a.Name, b.Name))
}

// indexSame is the place of the frame that has all that another's files have; -1: none has. A file that cannot be
// compared is taken for one of its own.
func (s *Sheet) indexSame(ctx context.Context, folder *frames.Folder, list []*frames.Frame, f *frames.Frame) (
	int, error,
) {
	for n, of := range list {
		if s.isSameAs(f.Name, of.Name) {
			return n, nil
		}
		same, err := s.holds(ctx, folder, of, f)
		if err != nil {
			return -1, err
		}
		if !same {
			continue
		}
		k, known := s.known[f.Name], s.known[of.Name]
		if k != nil && known != nil {
			k.saw.Same = &sameAs{of.Name, known.Files}
			return n, s.keep(ctx, k, nil)
		}
		return n, nil
	}
	return -1, nil
}

// isSameAs reports whether a frame was found to be a duplicate before, and neither has changed.
func (s *Sheet) isSameAs(name, of string) bool {
	k, known := s.known[name], s.known[of]
	return k != nil && known != nil && k.saw.Same != nil && *k.saw.Same == sameAs{of, known.Files}
}

// holds reports whether a frame has each of another's files.
func (s *Sheet) holds(ctx context.Context, folder *frames.Folder, of, f *frames.Frame) (bool, error) {
	counterparts := make([]int, len(f.Files))
	for i, file := range f.Files {
		counterparts[i] = slices.IndexFunc(of.Files, func(other frames.File) bool {
			return other.Size == file.Size && strings.EqualFold(path.Ext(other.Name), path.Ext(file.Name))
		})
		if counterparts[i] < 0 {
			return false, nil
		}
	}
	end, err := s.open(f.Name)
	if err != nil {
		return false, nil
	}
	defer end()
	for i, file := range f.Files {
		same, err := folder.Same(ctx, file, of.Files[counterparts[i]])
		if !same || err != nil {
			return false, ctx.Err()
		}
	}
	return true, nil
}

// inherit has a frame take over what a person said of its duplicate, where nothing was said of it.
func (s *Sheet) inherit(of, duplicate string) {
	k, from := s.known[of], s.known[duplicate]
	if k == nil || from == nil || !from.Settled || k.Settled {
		return
	}
	k.Shot, k.Settled = from.Shot, true
}

// Original is the name of the frame that counts, for the name of a duplicate; other names stay.
func (s *Sheet) Original(name string) string {
	for _, d := range s.Duplicates {
		if d.Frame == name {
			return d.Of
		}
	}
	return name
}
