package contactsheet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"stillwater/internal/frames"
	"stillwater/internal/look"
	"stillwater/internal/match"
	"stillwater/internal/record"
)

// FrameStore keeps what is known of a session's frames, so that a second run only does what is new: the journal.
type FrameStore interface {
	Frames(ctx context.Context, session int64) ([]record.Frame, error)
	FramePicture(ctx context.Context, session int64, name string) ([]byte, error)
	KeepFrame(ctx context.Context, f record.Frame) error
	KeepMatches(ctx context.Context, session int64, frames []record.Frame, drop bool) error
	SetPast(ctx context.Context, shot, um, sdUm int64) error
}

// facts are what is kept of a frame in its record.
type facts struct {
	Reading int         `json:"reading"` // of the program that read it, see reading
	Data    frames.Data `json:"data"`
	Picture *pictured   `json:"picture,omitempty"` // nil: not looked at
	Same    *sameAs     `json:"same,omitempty"`    // nil: no duplicate
}

// reading is the version of what is read and measured: what another version found is found anew.
const reading = 2

// pictured is what was seen in a frame's picture, and how large the small one is that is kept.
type pictured struct {
	Width   int        `json:"width"`
	Height  int        `json:"height"`
	Tones   look.Tones `json:"tones"`
	Against string     `json:"against,omitempty"` // what it was measured against; "" nothing
	Seen    *seen      `json:"seen,omitempty"`
}

// knownFrame is a frame's record and what it says.
type knownFrame struct {
	record.Frame
	saw    facts
	stored bool // it is kept
}

// recall reads what is known of the session's frames. Without a store, or where it cannot be read, nothing is.
func (s *Sheet) recall(ctx context.Context) error {
	s.known = map[string]*knownFrame{}
	if s.store == nil {
		return nil
	}
	kept, err := s.store.Frames(ctx, s.Session.ID)
	for _, f := range kept {
		k := knownFrame{Frame: f, stored: true}
		if json.Unmarshal([]byte(f.Facts), &k.saw) != nil || k.saw.Reading != reading {
			k.saw = facts{}
		}
		s.known[f.Name] = &k
	}
	return err
}

// read reads what a frame's files say of it, unless they are as they were when that was done before.
func (s *Sheet) read(ctx context.Context, folder *frames.Folder, frame frames.Frame) (frames.Frame, error) {
	files, err := json.Marshal(frame.Files)
	if err != nil {
		return frame, err
	}
	before := s.known[frame.Name]
	if before != nil && before.saw.Reading == reading && before.Files == string(files) {
		frame.Data = before.saw.Data
		return frame, nil
	}
	end, err := s.open(frame.Name)
	if err != nil {
		return frame, err
	}
	made, err := folder.Read(ctx, frame)
	end()
	if err != nil {
		return made, err
	}
	k := knownFrame{Frame: record.Frame{Session: s.Session.ID, Name: frame.Name, Files: string(files)},
		saw: facts{Reading: reading, Data: made.Data}}
	if before != nil {
		k.Shot, k.Settled = before.Shot, before.Settled
	}
	s.known[frame.Name] = &k
	s.Read++
	return made, s.keep(ctx, &k, nil)
}

// remembered are the frames that are known, say when they were taken, and are not in the folder any more: but for those
// that are there, from another folder or as a duplicate, and for duplicates of each other.
func (s *Sheet) remembered(there []frames.Frame) (timed []frames.Frame) {
	type picture struct {
		name  string
		taken time.Time
	}
	listed, counts := map[picture]bool{}, map[string]bool{}
	duplicates := map[string]string{} // that are there, by what they are of
	for _, f := range there {
		listed[picture{path.Base(f.Name), f.Taken}], counts[f.Name] = true, true
		if k := s.known[f.Name]; k != nil && k.saw.Same != nil {
			duplicates[k.saw.Same.Of] = f.Name
		}
	}
	for _, k := range s.gone() {
		f := frames.Frame{Name: k.Name, Number: frames.NumberOf(k.Name), Data: k.saw.Data}
		if listed[picture{path.Base(k.Name), k.saw.Data.Taken}] || json.Unmarshal([]byte(k.Files), &f.Files) != nil {
			continue
		}
		counted := duplicates[k.Name]
		if counted == "" && k.saw.Same != nil && counts[k.saw.Same.Of] {
			counted = k.saw.Same.Of
		}
		if counted != "" && (s.isSameAs(k.Name, counted) || s.isSameAs(counted, k.Name)) {
			s.inherit(counted, k.Name)
			continue
		}
		s.listed[k.Name], s.away[k.Name], counts[k.Name] = true, true, true
		timed = append(timed, f)
	}
	slices.SortFunc(timed, func(a, b frames.Frame) int { return strings.Compare(a.Name, b.Name) })
	return timed
}

// gone are the known frames that say when they were taken and are not in the folder: those that are no duplicates
// first.
func (s *Sheet) gone() (list []*knownFrame) {
	for name, k := range s.known {
		if !s.listed[name] && k.saw.Reading == reading && !k.saw.Data.Taken.IsZero() {
			list = append(list, k)
		}
	}
	slices.SortFunc(list, func(a, b *knownFrame) int {
		if of := (a.saw.Same != nil); of != (b.saw.Same != nil) {
			if of {
				return 1
			}
			return -1
		}
		return strings.Compare(a.Name, b.Name)
	})
	return list
}

// keep keeps what is known of a frame. If it cannot, because the disk is full or the journal was taken away, that costs
// the next run time and nothing else: it is reported, and nothing is kept from then on.
func (s *Sheet) keep(ctx context.Context, k *knownFrame, picture []byte) error {
	if s.store == nil || s.dry {
		return nil
	}
	text, err := json.Marshal(k.saw)
	if err != nil {
		return err
	}
	k.Facts, k.Frame.Picture = string(text), picture
	err = s.store.KeepFrame(ctx, k.Frame)
	k.Picture = nil
	if err != nil {
		return s.unkept(ctx, err)
	}
	k.stored = true
	return nil
}

func (s *Sheet) unkept(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	s.dry = true
	s.Problems = append(s.Problems, fmt.Errorf("the results cannot be saved for the next run: %w: check that the "+
		"record's disk has room", err))
	return nil
}

// keepMatches keeps which frame is which shot.
func (s *Sheet) keepMatches(ctx context.Context) error {
	if s.store == nil || s.dry {
		return nil
	}
	shots := map[string]*Row{}
	for i, r := range s.Rows {
		if r.Frame != nil && r.Sure != match.Open {
			shots[r.Frame.Name] = &s.Rows[i]
		}
	}
	var list []record.Frame
	for name, k := range s.known {
		if !s.listed[name] {
			continue
		}
		k.Shot, k.Sure, k.Probability, k.Settled = 0, "", 0, s.noShot[name]
		if r := shots[name]; r != nil {
			k.Shot, k.Sure, k.Probability, k.Settled = r.Shot.Number, string(r.Sure), r.Probability, r.Settled
		}
		list = append(list, k.Frame)
	}
	if err := s.store.KeepMatches(ctx, s.Session.ID, list, true); err != nil {
		return s.unkept(ctx, err)
	}
	return nil
}

// picture is a row's small picture and what was seen in it: as it was kept, if it was measured against the same as is
// wanted now, or else made anew from its file.
func (s *Sheet) picture(ctx context.Context, folder *frames.Folder, r *Row) (small []byte, p pictured, _ error) {
	k := s.known[r.Frame.Name]
	if s.isLookedAt(r) {
		small, err := s.store.FramePicture(ctx, s.Session.ID, r.Frame.Name)
		if !errors.Is(err, record.ErrNotFound) {
			return small, *k.saw.Picture, err
		}
	}
	if s.away[r.Frame.Name] {
		return s.pictureAway(ctx, r, k)
	}
	end, err := s.open(r.Frame.Name)
	if err != nil {
		return nil, p, err
	}
	img, err := folder.Small(ctx, *r.Frame, lookSide)
	end()
	if err != nil {
		return nil, p, err
	}
	light := look.NewImage(img, lookSide)
	made := smaller(img, r.Frame.Orientation, thumbnailSide)
	p = pictured{Width: made.Rect.Dx(), Height: made.Rect.Dy(), Tones: look.TonesOf(&light)}
	s.reference.measure(&p, r, &light, img)
	if small, err = encoded(made); err != nil {
		return nil, p, err
	}
	s.Looked++
	if k == nil {
		return small, p, nil
	}
	k.saw.Picture = &p
	return small, p, s.keep(ctx, k, small)
}

// isLookedAt reports whether it is known what a row's picture shows against what is wanted now.
func (s *Sheet) isLookedAt(r *Row) bool {
	k := s.known[r.Frame.Name]
	return k != nil && k.stored && k.saw.Picture != nil && k.saw.Picture.Against == s.reference.against(r)
}

// pictureAway is what is kept of a row's frame that is not in the folder. What was measured against something else than
// is wanted now cannot be measured again, and does not count.
func (s *Sheet) pictureAway(ctx context.Context, r *Row, k *knownFrame) (small []byte, p pictured, _ error) {
	if k.saw.Picture == nil {
		return nil, p, &AwayError{k.Name}
	}
	p = *k.saw.Picture
	if s.reference != nil && p.Against != s.reference.against(r) {
		p.Seen = nil
	}
	small, err := s.store.FramePicture(ctx, s.Session.ID, k.Name)
	return small, p, err
}

// lookSide is the longer side of what is measured, pixels. Each of a large frame's is made of the means of eight by
// eight levels, so that of what is burnt out smaller spots are not counted.
const lookSide = 480
