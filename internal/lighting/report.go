// Package lighting judges the light, focus and framing of a set: what they come to, by what margin they work, and what
// to do next. It goes through them in the order in which a person in the room can.
package lighting

import (
	"errors"
	"math"
	"slices"

	"stillwater/internal/liquids"
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/sentence"
	"stillwater/internal/shot"
)

// Report is what a set's light, focus and framing come to.
type Report struct {
	Set     shot.Set
	Light   optics.Light
	Liquid  liquids.Liquid
	Subject shot.Subject

	Open    phys.Time    // how long the shutter is open
	Margin  optics.Stops // of the flash over the room's light; +Inf where that is not known
	Longest phys.Time    // the opening that keeps the margin asked for

	Airy       phys.Length // the disc that diffraction alone makes of a point, on the sensor
	Blur       optics.Blur // of what is to be sharp
	BlurAround optics.Blur // of the fastest around it
	Seen       bool        // Blur is what was seen, not what is worked out
	Circle     phys.Length // the circle of confusion
	SharpBlur  phys.Length // the blur at the subject that is not seen on the print

	Near, Far phys.Length // from the lens; Far may be infinite
	DepthSD   phys.Length // how far the liquid is from the plane in focus
	InDepth   float64     // how often all of it is sharp; 0 where its size is not known
	Best      optics.FNumber
	DiscBest  phys.Length // at the ends of where the liquid is, with the best aperture
	DiscNow   phys.Length // with the one that is set

	Wide, High     phys.Length // of the frame at the focus spot
	WideSD, HighSD phys.Length
	Correlation    float64 // of places across and up in the frame, -1 to 1
	InFrame        float64 // how often all of the liquid is in the frame

	Level   optics.Level // of the background
	LowerBy optics.Stops // the background
	Black   optics.Black // where black belongs
	Rim     float64      // the part of the radius that is dark, with what is there

	Steps []Step

	compiles func(shot.Set) bool // nil: not known
}

// Judge works out what a set's light, focus and framing come to. Errors are those of shot.Set.Estimate.
func Judge(set shot.Set) (Report, error) { return JudgeFor(set, nil) }

// JudgeFor is Judge with a way to try whether a set compiles: what does not is not offered.
func JudgeFor(set shot.Set, compiles func(shot.Set) bool) (Report, error) {
	r, err := weigh(set)
	if err != nil {
		return Report{}, err
	}
	r.compiles = compiles
	r.Steps = r.steps()
	return r, nil
}

// works reports whether a set compiles, as far as that is known.
func (r Report) works(set shot.Set) bool { return r.compiles == nil || r.compiles(set) }

// weigh is Judge without the steps.
func weigh(set shot.Set) (Report, error) {
	e, err := set.Estimate()
	if err != nil {
		return Report{}, err
	}
	subject, err := set.SubjectOf(e, shot.DefaultSpread())
	if err != nil {
		return Report{}, err
	}
	r := Report{Set: set, Subject: subject, Open: set.OpenTime(), Liquid: liquidOf(set)}
	r.Light = set.Optics().Light(r.Open)
	r.judgeRoom()
	r.judgeBlur()
	r.judgeDepth()
	r.judgeFrame()
	r.judgeBackground()
	return r, nil
}

// Unjudged are the steps of a set whose camera, lights or room cannot work: what to do and type, with what is wrong at
// the step of its field. ok: that is the problem, and there is no other.
func Unjudged(set shot.Set) (steps []Step, ok bool) {
	_, err := Judge(set)
	wrong := new(shot.FieldError)
	if !errors.As(err, &wrong) {
		return nil, false
	}
	usual := set
	usual.SetOptics(optics.DefaultSetup())
	r, err := Judge(usual)
	if err != nil {
		return nil, false
	}
	for _, s := range r.Steps {
		s.Verdict, s.Says, s.Next, s.Expect, s.Fixes = Unknown, "", "", "", nil
		if slices.Contains(append(s.Seen, s.Fields...), wrong.Field) {
			s.Verdict, s.Says = Change, sentence.From(wrong.Why)
			s.Next = sentence.From(wrong.Remedy)
			s.Fixes = distanceFix(set, wrong.Field)
			ok = true
		}
		steps = append(steps, s)
	}
	return steps, ok
}

// distanceFix moves a lens that is too near as far off as it focuses.
func distanceFix(set shot.Set, field string) []shot.Fix {
	nearest := phys.RoundUp(set.Camera.NearestDistance()*(1-1e-9), 3)
	fix := shot.Fix{Field: "camera.distance", Value: nearest.String()}
	if field == "camera.field_seen" {
		fix = shot.Fix{Field: field, Value: phys.Length(0).String()}
	}
	if field != fix.Field || set.Put(fix.Field, fix.Value) != nil {
		return nil
	}
	set.Camera.FieldSeen = 0 // as it goes with another distance
	if _, err := Judge(set); err != nil {
		return nil
	}
	return []shot.Fix{fix}
}

// liquidOf is the liquid of a drop; what is thrown is taken for water.
func liquidOf(set shot.Set) liquids.Liquid {
	name := ""
	switch set.Kind {
	case shot.Drop:
		name = set.Drop.Liquid
	case shot.Drops:
		name = set.Drops.Liquid
	}
	if l, err := liquids.Named(name); err == nil {
		return l
	}
	return liquids.All()[0]
}

func (r *Report) judgeRoom() {
	r.Margin, r.Longest = optics.Stops(math.Inf(1)), phys.Time(math.Inf(1))
	if r.Light.RoomKnown {
		r.Margin = r.Light.Key - r.Light.Room
		r.Longest = optics.LongestOpening(r.Light.Room, r.Open, r.Light.Key, r.Set.Room.Margin)
	}
}

// turns reports whether the liquid is at a turning point at the moment: a column at its highest, or as good as at rest.
func (r *Report) turns() bool {
	return r.Subject.Speed == 0 && r.Subject.Fastest > 0 && !r.Subject.Level
}

// BlurKnown reports whether Blur was seen, or can be worked out.
func (r Report) BlurKnown() bool { return r.Seen || r.Light.PulseKnown && r.Subject.Fastest > 0 }

func (r *Report) judgeBlur() {
	lens, picture := r.Light.Lens, r.Light.Picture
	r.SharpBlur = optics.SharpBlur(lens, picture)
	r.Blur = r.blurIn(r.Light.Pulse.Tenth)
	r.BlurAround = optics.BlurOf(r.Subject.Fastest, r.Light.Pulse.Tenth, lens, picture)
	if smear := r.Set.Flash.Smear; smear.Known {
		share := float64(smear.Value) / float64(picture.Pixels)
		r.Seen = true
		r.Blur = optics.Blur{Subject: phys.Length(share) * lens.Field(picture.Sensor),
			Sensor: phys.Length(share) * picture.Sensor, Pixels: float64(smear.Value), Print: phys.Length(share) * picture.Print,
			Screen: share * optics.Screen}
	}
}

// blurIn is the blur of what is to be sharp in a light that lasts for a time.
func (r Report) blurIn(lasts phys.Time) optics.Blur {
	if r.turns() {
		return optics.BlurAtTurn(lasts, r.Light.Lens, r.Light.Picture)
	}
	return optics.BlurOf(r.Subject.Speed, lasts, r.Light.Lens, r.Light.Picture)
}

// nineInTen is within how many standard deviations nine of ten are, and oneEnd below how many.
const nineInTen, oneEnd = 1.645, 1.2816

func (r *Report) judgeDepth() {
	c, lens := r.Set.Camera, r.Light.Lens
	r.Circle = c.Circle()
	r.Near, r.Far = lens.Depth(r.Circle)
	sin, cos := math.Sincos(float64(c.Turn))
	aside, forward := float64(r.Subject.AsideSD), float64(r.Subject.ForwardSD)
	r.DepthSD = phys.Length(math.Hypot(aside*cos, forward*sin))
	r.WideSD, r.HighSD = phys.Length(math.Hypot(aside*sin, forward*cos)), r.Subject.UpSD
	if r.WideSD > 0 {
		r.Correlation = r.Subject.Correlation * forward * cos / float64(r.WideSD)
	}
	size := r.Subject.Size
	if size > 0 {
		r.InDepth = optics.WithinBand(lens.Focus-r.Near, r.Far-lens.Focus, size, r.DepthSD)
	}
	half := phys.Length(nineInTen)*r.DepthSD + size/2
	near, far := max(lens.Focus-half, lens.Focal*1.01), lens.Focus+half
	r.Airy = lens.Airy()
	r.Best = lens.BestAperture(near, far, c.Widest, c.Narrowest)
	r.DiscNow = max(lens.Disc(near), lens.Disc(far))
	lens.Aperture = r.Best
	r.DiscBest = max(lens.Disc(near), lens.Disc(far))
}

func (r *Report) judgeFrame() {
	c, lens, size := r.Set.Camera, r.Light.Lens, r.Subject.Size
	r.Wide, r.High = lens.Field(c.Sensor), lens.Field(c.SensorHeight)
	if size > 0 {
		r.InFrame = r.inFrame()
	}
}

// inFrame is how often all of the liquid is in the frame: the sum over where it may be from side to side, each with the
// heights that go with it.
func (r *Report) inFrame() (in float64) {
	room := float64(r.Wide/2 - r.Subject.Size/2)
	if room < 0 {
		return 0
	}
	if r.Correlation == 0 {
		return optics.WithinBand(r.Wide/2, r.Wide/2, r.Subject.Size, r.WideSD) * r.tallInFrame(0, r.HighSD)
	}
	const places = 60
	end := min(room/float64(r.WideSD), 4) // standard deviations
	own := r.HighSD * phys.Length(math.Sqrt(max(1-r.Correlation*r.Correlation, 0)))
	for i := range places {
		z := end * (2*(float64(i)+0.5)/places - 1)
		share := math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) * 2 * end / places
		in += share * r.tallInFrame(phys.Length(z*r.Correlation)*r.HighSD, own)
	}
	return in
}

// tallInFrame is how often all of the liquid's height is in the frame, whose middle is at that of what nine of ten do
// not exceed, if it is higher by a normal error of that mean and standard deviation. Of a height that differs, it is
// the sum over where its foot may be of how often it is then no taller than there is room.
func (r *Report) tallInFrame(mean, sd phys.Length) (in float64) {
	p, middle := r.Subject, r.Tallest()/2
	// Of the foot, from where it is on average, for it to be in the frame.
	low, high := middle-r.High/2-mean, middle+r.High/2-mean
	fits := func(foot phys.Length) float64 { return below(math.Log(float64((high-foot)/p.Tall)) / p.TallSpread) }
	switch {
	case p.TallSpread == 0:
		return between(low, high-p.Tall, sd)
	case sd == 0 && (low >= 0 || high <= 0):
		return 0
	case sd == 0:
		return fits(0)
	}
	const steps, widest = 200, 6
	from := max(low, -widest*sd)
	to := max(min(high, widest*sd), from)
	for i := range steps {
		foot := from + (to-from)*(phys.Length(i)+0.5)/steps
		x := float64(foot / sd)
		in += fits(foot) * math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) * float64((to-from)/steps/sd)
	}
	return in
}

// between is how often a normal error is between two limits.
func between(low, high, sd phys.Length) float64 {
	switch {
	case high < low || sd == 0 && (low > 0 || high < 0):
		return 0
	case sd == 0:
		return 1
	}
	return below(float64(high/sd)) - below(float64(low/sd))
}

// below is how often a normal error is below so many standard deviations.
func below(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// Tallest is the height of the liquid that nine of ten shots do not exceed.
func (r Report) Tallest() phys.Length { return r.Subject.TallQuantile(oneEnd) }

func (r *Report) judgeBackground() {
	b := r.Set.Background
	r.Level = optics.LevelAt(r.Light.Background)
	r.LowerBy = optics.LowerBy(r.Light.Background)
	r.Black = optics.BlackFor(r.Liquid.Index, float64(b.Rim))
	r.Rim = optics.DarkRim(r.Liquid.Index, r.Light.Bright)
}
