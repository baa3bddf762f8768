package intake

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"

	"stillwater/internal/contactsheet"
	"stillwater/internal/control"
	"stillwater/internal/look"
	"stillwater/internal/page"
	"stillwater/internal/phys"
	"stillwater/internal/record"
)

// reference is what frames of a session are measured against, and what of that was put on record.
type reference struct {
	Empty     string                 `json:"empty"`
	Width     phys.Length            `json:"width"` // 0: as the ruler or the set has it
	FromRight bool                   `json:"from_right"`
	Black     string                 `json:"black"` // the frame with the flash off, by which the room is judged; "" none
	Spot      *page.CameraPoint      `json:"spot"`  // null: the frame's middle
	Ruler     *ruler                 `json:"ruler"` // null: none
	Accepted  []control.PastMeasured `json:"accepted"`
}

// ruler is two places on a ruler in a frame, and how much of the scene that frame shows.
type ruler struct {
	page.CameraRuler
	Long phys.Length `json:"long"` // its longer side
	Wide phys.Length `json:"wide"`
}

// readReference reads a session's. What cannot be read is chosen anew.
func (i *Intake) readReference(session int64) (reference, error) {
	return readMark[reference](i, session, referenceMark)
}

// measure is how frames are measured, where the set's camera shows a piece of the scene so wide.
func (g *reference) measure(wide phys.Length) contactsheet.Measure {
	m := contactsheet.Measure{Look: true, Loose: true, Empty: g.Empty, FromRight: g.FromRight, Width: g.Width}
	switch {
	case g.Width > 0:
	case g.Ruler != nil:
		m.Long = g.Ruler.Long
	default:
		m.Width = wide
	}
	if g.Spot != nil {
		m.SpotShare = &look.Point{X: g.Spot.X, Y: g.Spot.Y}
	}
	return m
}

// rename has it name frames as they are shown: of two with the same content one is.
func (g *reference) rename(original func(string) string) {
	g.Empty, g.Black = original(g.Empty), original(g.Black)
	if g.Ruler != nil {
		g.Ruler.Name = original(g.Ruler.Name)
	}
}

// show has a view say it.
func (g *reference) show(v *page.CameraView) {
	v.Empty, v.Black, v.FromRight, v.Spot = g.Empty, g.Black, g.FromRight, g.Spot
	if g.Ruler != nil && v.Width == "" {
		v.Width = lengthText(rounded(g.Ruler.Wide))
	}
	if g.Ruler != nil {
		v.Ruler = &g.Ruler.CameraRuler
	}
}

// changeReference changes what a session's frames are measured against, and has them measured again: earlier
// measurements no longer count.
func (i *Intake) changeReference(e *evening, change func(*reference)) error {
	return i.changeMark(e, change, func() { e.stale = true })
}

// changeMark changes a session's reference, asks for its frames to be looked at, and then calls then with the mutex
// held.
func (i *Intake) changeMark(e *evening, change func(*reference), then func()) error {
	i.notes.Lock()
	defer i.notes.Unlock()
	g, err := i.readReference(e.session)
	if err != nil && !errors.Is(err, errUnreadable) {
		return notRead(err)
	}
	change(&g)
	if err := keepMark(i, e.session, referenceMark, g); err != nil {
		return i.notKept(err)
	}
	i.want(e, 0, then)
	return nil
}

// Reference implements control.Camera.
func (i *Intake) Reference(session int64, empty, width string, fromRight bool) error {
	e, _ := i.frame(session, empty)
	if e == nil {
		return i.noFrame(session, empty)
	}
	wide, err := lengthOf(width)
	if width != "" && err != nil {
		return &control.Refusal{Field: "value", Why: "The width must be 1 mm to 20 m.", Remedy: "Type a length like 60 cm."}
	}
	return i.changeReference(e, func(g *reference) { g.Empty, g.FromRight, g.Width = empty, fromRight, wide })
}

// Black implements control.Camera.
func (i *Intake) Black(session int64, frame string) error {
	e, _ := i.frame(session, frame)
	if e == nil {
		return i.noFrame(session, frame)
	}
	return i.changeMark(e, func(g *reference) { g.Black = frame }, func() {})
}

// lengthOf reads a length that a frame may show.
func lengthOf(text string) (phys.Length, error) {
	l, err := phys.ParseLength(text)
	if err != nil || l < 0.001 || l > 20 {
		return 0, errors.New("1 mm to 20 m")
	}
	return l, nil
}

// Spot implements control.Camera.
func (i *Intake) Spot(session int64, x, y float64) error {
	e, _ := i.frame(session, "")
	switch {
	case e == nil:
		return i.noFrame(session, "")
	case outside(x, y) != "":
		return &control.Refusal{Field: outside(x, y), Why: "That is outside the frame.", Remedy: "Tap a place in the frame."}
	case x == 0 && y == 0:
		return i.changeReference(e, func(g *reference) { g.Spot = nil })
	}
	return i.changeReference(e, func(g *reference) { g.Spot = &page.CameraPoint{X: x, Y: y} })
}

// minRuler of a frame's longer side lies between the two places, so that a finger's error is some percent. Own
// choice.
const minRuler = 0.05

// Ruler implements control.Camera.
func (i *Intake) Ruler(session int64, frame string, x, y, x2, y2 float64, length string) error {
	e, f := i.frame(session, frame)
	if e == nil {
		return i.noFrame(session, frame)
	}
	if length == "" {
		return i.changeReference(e, func(g *reference) { g.Ruler = nil })
	}
	apart, err := lengthOf(length)
	share := math.Hypot((x2-x)*float64(f.Width), (y2-y)*float64(f.Height)) / float64(max(f.Width, f.Height, 1))
	switch {
	case err != nil:
		return &control.Refusal{Field: "value", Why: "The length must be 1 mm to 20 m.", Remedy: "Type a length like 10 cm."}
	case frame == "":
		return notNamed
	case outside(x, y, x2, y2) != "":
		return &control.Refusal{Field: outside(x, y, x2, y2), Why: "That is outside the frame.",
			Remedy: "Tap two places in the frame."}
	case (f.Width == 0 || f.Height == 0) && i.isBusy(e):
		return &control.Refusal{Field: "name", Why: fmt.Sprintf("The picture of %s is being read.", frame),
			Remedy: "Place the ruler again when it is shown."}
	case f.Width == 0 || f.Height == 0:
		return &control.Refusal{Field: "name", Why: fmt.Sprintf("%s has no picture here to place a ruler in.", frame),
			Remedy: "Choose a frame that shows one: a JPEG of the ruler, as sharp as the others."}
	case !(share >= minRuler):
		return &control.Refusal{Field: "x", Why: "The two places are too close together.",
			Remedy: "Choose two marks of the ruler that are further apart."}
	}
	long := phys.Length(float64(apart) / share)
	one := ruler{page.CameraRuler{Name: frame, X: x, Y: y, X2: x2, Y2: y2, Length: apart.String()}, long,
		long * phys.Length(f.Width) / phys.Length(max(f.Width, f.Height))}
	return i.changeReference(e, func(g *reference) { g.Ruler, g.Width = &one, 0 })
}

func (i *Intake) isBusy(e *evening) bool {
	i.mu.Lock()
	defer i.mu.Unlock()
	return e.busy != "" || !e.due.IsZero()
}

// outside is the field of the first of a message's places that is no share of the frame's width or height; "" all are.
func outside(all ...float64) string {
	at := slices.IndexFunc(all, func(v float64) bool { return !(v >= 0 && v <= 1) })
	if at < 0 {
		return ""
	}
	return []string{"x", "y", "x2", "y2"}[at]
}

// basis is what on record measurements rest on, beside the shots' own sets.
type basis struct {
	wide  phys.Length   // as the set has it; 0: it is not used
	files map[int64]int // file numbers, by the shots' IDs
}

// widthOfSet is how wide a piece of the scene the set's camera shows, where that counts.
func (g *reference) widthOfSet(set string) phys.Length {
	if g.Width > 0 || g.Ruler != nil {
		return 0
	}
	return fieldOf(set)
}

// Measured implements control.Camera.
func (i *Intake) Measured(ctx context.Context, session int64) ([]control.PastMeasured, error) {
	s, err := i.find(ctx, session)
	if errors.Is(err, record.ErrNotFound) {
		return nil, noSession(session)
	}
	if err != nil {
		return nil, notRead(err)
	}
	g, err := i.readReference(session)
	if err != nil {
		return nil, notRead(err)
	}
	i.mu.Lock()
	var was basis
	var stale bool
	if e := i.evenings[session]; e != nil && e.made {
		was = e.basis
		stale = e.stale || len(e.pairs.Said) > 0 || was.wide != g.widthOfSet(s.Set)
	}
	i.mu.Unlock()
	list, err := i.asOnRecord(ctx, session, func(e *evening) []control.PastMeasured { return e.measured },
		func(made record.Shot, _ control.PastMeasured) bool { return made.PastSDUm == 0 },
		func(made record.Shot) {
			file, matched := was.files[made.ID]
			stale = stale || matched && file != made.File
		})
	if err == nil && stale {
		err = &control.Refusal{Why: "The frames are being measured again because something changed.",
			Remedy: "Record once they are measured."}
	}
	if err == nil && len(list) == 0 {
		err = &control.Refusal{Why: "There is no new measurement to record.",
			Remedy: "Choose the empty frame if you have not."}
	}
	return list, err
}

// OnRecord implements control.Camera.
func (i *Intake) OnRecord(ctx context.Context, session int64) (shots []int64, _ error) {
	if _, err := i.find(ctx, session); errors.Is(err, record.ErrNotFound) {
		return nil, noSession(session)
	}
	list, err := i.asOnRecord(ctx, session, func(e *evening) []control.PastMeasured { return e.recorded },
		func(made record.Shot, m control.PastMeasured) bool {
			return m == pastOf(contactsheet.Measurement{ShotID: made.ID, PastUm: made.PastUm, SDUm: made.PastSDUm})
		}, func(record.Shot) {})
	if err == nil && len(list) == 0 {
		err = &control.Refusal{Why: "No measurement from a frame is on record.", Remedy: "Reload the page."}
	}
	for _, m := range list {
		shots = append(shots, m.Shot)
	}
	return shots, err
}

// asOnRecord returns an evening's measurements that their shots on record still have: a person may have measured one
// since the frames were looked at. If there are any it visits all shots.
func (i *Intake) asOnRecord(ctx context.Context, session int64, of func(*evening) []control.PastMeasured,
	still func(record.Shot, control.PastMeasured) bool, visit func(record.Shot),
) (list []control.PastMeasured, _ error) {
	i.mu.Lock()
	byShot := map[int64]control.PastMeasured{}
	if e := i.evenings[session]; e != nil {
		for _, m := range of(e) {
			byShot[m.Shot] = m
		}
	}
	i.mu.Unlock()
	if len(byShot) == 0 {
		return nil, nil
	}
	for made, err := range i.o.Journal.AllShots(ctx, session) {
		if err != nil {
			return nil, notRead(err)
		}
		if !made.Lost {
			visit(made)
		}
		if m, measured := byShot[made.ID]; measured && !made.Lost && still(made, m) {
			list = append(list, m)
		}
	}
	return list, nil
}

// Recorded implements control.Camera.
func (i *Intake) Recorded(session int64, accepted []control.PastMeasured) error {
	e, _ := i.frame(session, "")
	if e == nil {
		return nil
	}
	return i.changeMark(e, func(g *reference) {
		g.Accepted = slices.DeleteFunc(g.Accepted, func(old control.PastMeasured) bool {
			return slices.ContainsFunc(accepted, func(now control.PastMeasured) bool { return now.Shot == old.Shot })
		})
		g.Accepted = append(g.Accepted, accepted...)
	}, func() {})
}

func notRead(err error) error {
	return &control.Refusal{Why: fmt.Sprintf("The record cannot be read: %v.", plain(err)), Remedy: "Try again."}
}

// notKept refuses what cannot be written into the record: the log has its file and the rest.
func (i *Intake) notKept(err error) error {
	i.o.Log.Warn("what was marked in frames cannot be saved", "err", err)
	return &control.Refusal{Why: fmt.Sprintf("It could not be saved: %s.", control.RecordProblem(err)),
		Remedy: "Then do it again."}
}

// plain is an error without the name of a file of the machine.
func plain(err error) error {
	if e := new(fs.PathError); errors.As(err, &e) {
		return e.Err
	}
	return err
}
