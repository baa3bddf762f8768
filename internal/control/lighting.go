package control

import (
	"fmt"
	"slices"

	"stillwater/internal/drawing"
	"stillwater/internal/lighting"
	"stillwater/internal/optics"
	"stillwater/internal/shot"
)

// Lighting is the set's light, focus and framing, step by step.
type Lighting struct {
	Camera   []string      `json:"camera"` // the set's fields that all steps depend on
	Steps    []LightStep   `json:"steps"`
	Drawings []DrawingView `json:"drawings"`
	Marks    []Marks       `json:"marks"`
}

// LightStep is one thing to do in the room: see package lighting.
type LightStep struct {
	ID      string   `json:"id"`
	Title   string   `json:"title"`
	Do      string   `json:"do"`
	Expect  string   `json:"expect"`
	Seen    []string `json:"seen"`   // the set's fields for what was seen
	Fields  []string `json:"fields"` // the set's fields that it depends on
	Verdict string   `json:"verdict"`
	Says    string   `json:"says"`
	Next    string   `json:"next"`
	Fixes   []Fix    `json:"fixes"`
	Drawing string   `json:"drawing"` // the name of the one that belongs to it; "" none
}

// DrawingView is a drawing of light, focus or framing, as SVG: see package drawing.
type DrawingView struct {
	Name string `json:"name"`
	SVG  string `json:"svg"`
}

// Marks is a series of values as cameras and flash units mark them: "aperture", "iso", "shutter", "power".
type Marks struct {
	Series string   `json:"series"`
	Values []string `json:"values"`
}

// drawingOf is the drawing that belongs to a step.
var drawingOf = map[string]drawing.Name{"background": drawing.Plan, "key": drawing.Plan, "freeze": drawing.Duration,
	"focus": drawing.Depth, "framing": drawing.Frame}

// makeLighting judges a set, or says what of its light cannot work and judges no step; nil if something else cannot.
func makeLighting(set shot.Set, compiles func(shot.Set) bool) (view *Lighting, judged []lighting.Step) {
	report, err := lighting.JudgeFor(set, compiles)
	steps := report.Steps
	if err != nil {
		var ok bool
		if steps, ok = lighting.Unjudged(set); !ok {
			return nil, nil
		}
	}
	l := &Lighting{Camera: lighting.CameraFields(), Drawings: []DrawingView{}, Marks: []Marks{
		{"aperture", texts(optics.FNumberMarks())}, {"iso", texts(optics.ISOMarks())},
		{"shutter", append([]string{optics.Bulb.String()}, texts(optics.ShutterMarks())...)},
		{"power", texts(optics.PowerMarks())},
	}}
	for _, s := range steps {
		l.Steps = append(l.Steps, lightStepOf(s))
	}
	if err != nil {
		return l, nil
	}
	for _, name := range drawing.Names() {
		l.Drawings = append(l.Drawings, DrawingView{string(name), drawing.Draw(name, report, true).SVG})
	}
	return l, steps
}

func lightStepOf(s lighting.Step) LightStep {
	step := LightStep{ID: s.ID, Title: s.Title, Do: s.Do, Expect: s.Expect, Seen: s.Seen, Fields: s.Fields,
		Verdict: string(s.Verdict), Says: s.Says, Next: s.Next, Fixes: []Fix{}, Drawing: string(drawingOf[s.ID])}
	for _, f := range s.Fixes {
		step.Fixes = append(step.Fixes, FixOf(f))
	}
	return step
}

// lightingNow is the plan's light with the last step as the ticks make it. The mutex is held.
func (c *Control) lightingNow() *Lighting {
	l, judged := c.plan.lighting, c.plan.judged
	if len(judged) == 0 {
		return l
	}
	now, last := *l, len(judged)-1
	now.Steps = append(slices.Clone(l.Steps[:last]), lightStepOf(lighting.Away(judged[:last], c.evening.ticked)))
	if at := slices.IndexFunc(now.Steps, func(s LightStep) bool { return s.ID == "dark" }); at >= 0 {
		c.camera.Room.offer(&now.Steps[at], c.set)
	}
	return &now
}

// offer adds to the step that judges the room what a black frame shows, and the fix that uses it. A frame judged with
// another camera setting says nothing: it is judged again soon.
func (r *RoomFrame) offer(s *LightStep, set shot.Set) {
	if r == nil || r.Camera != set.Camera {
		return
	}
	s.Says = fmt.Sprintf("The black frame %s, open for %s, is %s bright at most. %s", r.Name, r.Open, r.Seen, s.Says)
	before := set.Room
	if err := r.Fix.put(&set); err == nil && set.Room != before {
		if s.Verdict == string(lighting.Unknown) {
			s.Next = "Use it, or type what a frame or a light meter shows."
		}
		s.Fixes = append([]Fix{r.Fix}, s.Fixes...)
	}
}

func texts[T fmt.Stringer](marks []T) []string {
	list := make([]string, len(marks))
	for i, m := range marks {
		list[i] = m.String()
	}
	return list
}
