package control

import (
	"context"
	"fmt"
	"math"
	"slices"

	"stillwater/internal/practice"
	"stillwater/internal/record"
	"stillwater/internal/scene"
	"stillwater/internal/sentence"
	"stillwater/internal/shot"
)

// Rooms is a Simulation with several rooms to practise in.
type Rooms interface {
	Preset() scene.Preset // of the room it is now
	Enter(scene.Preset) error
}

// enterRoom changes to another simulated room.
func (c *Control) enterRoom(cmd Command) error {
	rooms, ok := c.opts.Room.(Rooms)
	if !ok {
		return refusal("", "This is not the simulated room.", "Practise with a simulated board.")
	}
	preset, err := scene.PresetNamed(cmd.Name)
	if err != nil {
		return refusal("name", sentence.From(err.Error()), "Choose one from the list.")
	}
	if err := c.requireDisarmed("name", "The room"); err != nil {
		return err
	}
	if err := rooms.Enter(preset); err != nil {
		return refusal("name", sentence.From(err.Error()), "Wait until the room is still.")
	}
	return nil
}

// roomView is the simulated room as the page shows it; nil: the room is a real one. The mutex is held.
func (c *Control) roomView() *Room {
	if c.opts.Room == nil {
		return nil
	}
	view := &Room{Busy: c.opts.Room.Busy(), Seen: c.lastSeen, Rooms: []Choice{},
		Paces: paceChoices(c.plan.program)}
	if view.Paces[0] > 4 {
		view.PaceSays = fmt.Sprintf("%d s at least: %s.", view.Paces[0], whyNoSooner(c.plan.program, false))
	}
	if rooms, ok := c.opts.Room.(Rooms); ok {
		view.In = rooms.Preset().Name
		for _, p := range scene.Presets() {
			view.Rooms = append(view.Rooms, Choice{Value: p.Name, Label: sentence.From(p.Name), Hint: sentence.From(p.Words)})
		}
	}
	return view
}

// Bounds of what is measured in a picture: farther away it is out of the picture, or not known at all.
const (
	maxPastMm   = 1000
	maxPastSDMm = 200
)

// measured is what was measured in a picture as a remark. The mutex is held.
func (c *Control) measured(cmd Command) (remark, error) {
	um, sd := int64(math.Round(cmd.PastMm*1e3)), int64(math.Round(cmd.PastSDMm*1e3))
	if sd == 0 {
		um = 0
	}
	r := remark{key: remarkKey{id: cmd.Shot, kind: cmd.Type}}
	r.write = func(ctx context.Context) error { return c.opts.Journal.SetPast(ctx, cmd.Shot, um, sd) }
	r.show = func() {
		c.changeShown(cmd.Shot, func(s *ShotView) { s.PastMm, s.PastSDMm = pastMm(um, sd) })
		c.changeTry(cmd.Shot, func(s *record.Shot) { s.PastUm, s.PastSDUm = um, sd })
	}
	return r, c.checkMeasured(cmd)
}

// checkMeasured refuses a measurement that is impossible or pointless. An existing one may be taken back. The mutex is
// held.
func (c *Control) checkMeasured(cmd Command) error {
	switch {
	case math.IsNaN(cmd.PastMm) || math.Abs(cmd.PastMm) > maxPastMm:
		return refusal("past_mm", "That is farther than any picture shows.",
			fmt.Sprintf("Give -%d to %d mm.", maxPastMm, maxPastMm))
	case math.IsNaN(cmd.PastSDMm) || cmd.PastSDMm < 0 || cmd.PastSDMm > maxPastSDMm:
		return refusal("past_sd_mm", "That is too uncertain to say anything.",
			fmt.Sprintf("Give more than 0 and up to %d mm, or 0 to take it back.", maxPastSDMm))
	case cmd.PastSDMm == 0:
		return nil
	}
	i := slices.IndexFunc(c.shots, func(s ShotView) bool { return s.ID == cmd.Shot })
	switch {
	case i >= 0 && c.shots[i].Problem != "":
		return refusal("shot", fmt.Sprintf("Nothing can be measured in shot %d.", c.shots[i].Number), c.shots[i].Problem)
	case i >= 0 && !c.shots[i].Measurable:
		return refusal("shot", "What it shows stands still or turns there, so its place says nothing about the time.",
			"Give a verdict.")
	}
	return nil
}

// pastMm are the page's figures of what was measured; null: nothing was.
func pastMm(um, sd int64) (past, pastSD *float64) {
	if sd == 0 {
		return nil, nil
	}
	a, b := float64(um)/1e3, float64(sd)/1e3
	return &a, &b
}

// geometry is the path in a practice shot's picture, degrees above level, and the picture's width in mm.
func geometry(outcomes *shot.Outcomes, s record.Shot) (pathDeg, fieldMm float64) {
	set, err := outcomes.ParseSet(s.Set)
	if err != nil {
		return 0, 0
	}
	path, err := set.PathAt(s)
	if err != nil {
		return 0, 0
	}
	return float64(path) * 180 / math.Pi, float64(practice.FieldWidth(set)) * 1e3
}
