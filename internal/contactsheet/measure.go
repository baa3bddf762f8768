package contactsheet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"stillwater/internal/frames"
	"stillwater/internal/look"
	"stillwater/internal/match"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

// Measure is what a person says so that the liquid is measured in the frames. Places are pixels of a frame as it is
// shown upright, from its top left.
type Measure struct {
	Look       bool        // at all pictures, if there is nothing to measure against, too
	Loose      bool        // at those of frames that are of no shot, too
	Empty      string      // the frame without liquid, its name or number; "" nothing is measured
	Spot       *look.Point // where the liquid is to be; nil: the frame's middle
	SpotShare  *look.Point // the same in shares of the frame's width and height
	Ruler      *Ruler      // the scale; nil: Width
	Width      phys.Length // how wide a piece of the scene the frame shows, at the liquid's place
	Long       phys.Length // the same for the frame's longer side
	FromRight  bool        // a throw comes from the right
	EmptyFrame *frames.Frame
}

func (m *Measure) wanted() bool { return m.Look || m.Empty != "" }

// Ruler is two places on a ruler that stands where the liquid is to be.
type Ruler struct {
	From, To look.Point
	Apart    phys.Length
}

// UnmarshalText parses "X,Y,X,Y,LENGTH", the places in pixels: "410,900,2410,900,20cm".
func (r *Ruler) UnmarshalText(text []byte) error {
	parts := strings.Split(string(text), ",")
	var at [4]float64
	err := errors.New("give two places in pixels and how far apart they are, like 410,900,2410,900,20cm")
	if len(parts) != 5 {
		return err
	}
	for i := range at {
		value, e := strconv.ParseFloat(strings.TrimSpace(parts[i]), 64)
		if e != nil || !(math.Abs(value) < 1e6) {
			return err
		}
		at[i] = value
	}
	apart, e := phys.ParseLength(strings.TrimSpace(parts[4]))
	if e != nil {
		return e
	}
	*r = Ruler{look.Point{X: at[0], Y: at[1]}, look.Point{X: at[2], Y: at[3]}, apart}
	_, e = look.ScaleOf(r.From, r.To, apart)
	return e
}

// SetSpot parses "X,Y" in pixels: where in the frame the liquid is to be.
func (m *Measure) SetSpot(text string) error {
	x, y, _ := strings.Cut(text, ",")
	atX, errX := strconv.ParseFloat(strings.TrimSpace(x), 64)
	atY, errY := strconv.ParseFloat(strings.TrimSpace(y), 64)
	if errX != nil || errY != nil || !(math.Hypot(atX, atY) < 1e6) {
		return errors.New("give a place in pixels, like 3000,2000")
	}
	m.Spot = &look.Point{X: atX, Y: atY}
	return nil
}

// seen is what was measured of a frame, as it is kept: in pixels of the stored frame, so that another scale or spot
// needs no picture.
type seen struct {
	Found    bool    `json:"found"`
	Contrast float64 `json:"contrast_stops"`
	SmearPx  float64 `json:"smear_px"`
	Placed   bool    `json:"placed"`   // the next ones are known
	AlongPx  float64 `json:"along_px"` // from the frame's top left, along the motion
	SDPx     float64 `json:"sd_px"`
	Cut      bool    `json:"cut"`
	OtherWay bool    `json:"other_size"` // its picture has a different size than the empty frame: nothing is known
}

// reference is what the frames are measured against.
type reference struct {
	Measure
	text    string // names all of it that what is kept of a frame depends on
	empty   look.Image
	size    image.Point // of the empty frame as stored
	turned  int         // its orientation
	pxPerMm float64     // of the stored frame
	sets    *shot.Outcomes
}

// speedSD is how well the speed is known, as a share of it: common practice, no source.
const speedSD = 0.05

// newReference reads the empty frame.
func (s *Sheet) newReference(ctx context.Context, folder *frames.Folder, m Measure) (*reference, error) {
	empty := m.EmptyFrame
	if s.away[empty.Name] {
		return nil, &AwayError{empty.Name}
	}
	end, err := s.open(empty.Name)
	if err != nil {
		return nil, err
	}
	img, err := folder.Small(ctx, *empty, lookSide)
	end()
	if err != nil {
		return nil, err
	}
	g := &reference{Measure: m, empty: look.NewImage(img, lookSide), size: img.Size, turned: empty.Orientation,
		sets: new(shot.Outcomes)}
	shown := g.shownSize()
	if m.Spot == nil {
		share := look.Point{X: 0.5, Y: 0.5}
		if m.SpotShare != nil {
			share = *m.SpotShare
		}
		g.Spot = &look.Point{X: share.X * float64(shown.X), Y: share.Y * float64(shown.Y)}
	}
	switch {
	case m.Ruler != nil:
		g.pxPerMm, err = look.ScaleOf(m.Ruler.From, m.Ruler.To, m.Ruler.Apart)
	case m.Width > 0:
		g.pxPerMm = float64(shown.X) / (float64(m.Width) * 1e3)
	case m.Long > 0:
		g.pxPerMm = float64(max(shown.X, shown.Y)) / (float64(m.Long) * 1e3)
	}
	if err != nil {
		return nil, err
	}
	if g.Spot.X < 0 || g.Spot.Y < 0 || g.Spot.X > float64(shown.X) || g.Spot.Y > float64(shown.Y) {
		return nil, fmt.Errorf("the spot %.0f,%.0f is outside the frame, which has %d x %d pixels", g.Spot.X, g.Spot.Y,
			shown.X, shown.Y)
	}
	text, err := json.Marshal([]any{empty.Name, empty.Files, m.FromRight, "px"})
	g.text = string(text)
	return g, err
}

func (g *reference) shownSize() image.Point {
	if g.turned >= 5 {
		return image.Pt(g.size.Y, g.size.X)
	}
	return g.size
}

// Width is how wide a piece of the scene a frame shows; 0: not known.
func (s *Sheet) Width() phys.Length {
	if s.reference == nil || s.reference.pxPerMm == 0 {
		return 0
	}
	return phys.Length(float64(s.reference.shownSize().X) / s.reference.pxPerMm / 1e3)
}

// against names what a row is measured against: the reference, and the path of its shot. A nil reference measures
// nothing.
func (g *reference) against(r *Row) string {
	if g == nil {
		if r.pictured != nil {
			return r.pictured.Against
		}
		return ""
	}
	way, _ := g.way(r)
	return fmt.Sprintf("%s %.3f %.3f", g.text, way.X, way.Y)
}

// way is the direction of a shot's motion in the stored frame; false where nothing moves along a path.
func (g *reference) way(r *Row) (look.Point, bool) {
	set, err := g.sets.ParseSet(r.Shot.Set)
	if err != nil || !set.Measurable() {
		return look.Point{}, false
	}
	path, err := set.PathAt(r.Shot)
	if err != nil {
		return look.Point{}, false
	}
	x, y := math.Cos(float64(path)), -math.Sin(float64(path))
	if g.FromRight {
		x = -x
	}
	zeroX, zeroY := stored(0, 0, g.turned)
	toX, toY := stored(x, y, g.turned)
	return look.Point{X: toX - zeroX, Y: toY - zeroY}, true
}

// measure measures a row's picture, as far as it can be.
func (g *reference) measure(p *pictured, r *Row, light *look.Image, img frames.Small) {
	p.Against = g.against(r)
	if g == nil {
		return
	}
	p.Seen = &seen{}
	if img.Size != g.size {
		p.Seen.OtherWay = true
		return
	}
	liquid := look.Find(light, &g.empty)
	p.Seen.Found, p.Seen.Contrast = liquid.Found, liquid.Contrast
	way, moves := g.way(r)
	if !moves || !liquid.Found {
		return
	}
	if blur, ok := look.BlurOf(light, liquid, math.Abs(way.X) >= math.Abs(way.Y)); ok {
		p.Seen.SmearPx = blur.Smear
	}
	// As if a pixel of the stored frame were a millimetre, from its top left, whose time nobody asks for.
	m, ok := look.MissOf(light, liquid, look.Target{PxPerMm: 1 / (light.Scale * float64(img.Per)), Way: way, Speed: 1})
	if ok {
		p.Seen.Placed, p.Seen.Cut = true, m.Cut
		p.Seen.AlongPx, p.Seen.SDPx = float64(m.Past)*1e3, float64(m.SD)*1e3
	}
}

// past is how far past the spot something is that was seen in a row's frame; false where the scale is not known.
func (g *reference) past(r *Row, p *seen) (past, sd phys.Length, ok bool) {
	way, moves := g.way(r)
	if g.pxPerMm == 0 || !moves {
		return 0, 0, false
	}
	shown := g.shownSize()
	u, v := stored(g.Spot.X/float64(shown.X), g.Spot.Y/float64(shown.Y), g.turned)
	spot := u*float64(g.size.X)*way.X + v*float64(g.size.Y)*way.Y
	um := func(px float64) float64 { return px / g.pxPerMm * 1e3 }
	return phys.Length(math.Round(um(p.AlongPx-spot)) * 1e-6), phys.Length(math.Ceil(um(p.SDPx)) * 1e-6), true
}

// look looks at the pictures of all shots whose frame is more than a guess, and measures them.
func (s *Sheet) look(ctx context.Context, folder *frames.Folder, m Measure) error {
	var err error
	if m.Empty != "" {
		if m.EmptyFrame, err = s.frameNamed(m.Empty); err == nil {
			s.reference, err = s.newReference(ctx, folder, m)
		}
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil:
			return &EmptyError{m.Empty, err}
		}
	}
	var rows []*Row
	for i := range s.Rows {
		if r := &s.Rows[i]; r.Frame != nil && r.Sure != match.Open {
			rows = append(rows, r)
		}
	}
	if m.Loose {
		rows = append(rows, s.looseRows()...)
	}
	for _, r := range rows {
		if s.isLookedAt(r) {
			r.pictured = s.known[r.Frame.Name].saw.Picture
			s.shown[r.Frame.Name] = r.pictured
		}
	}
	s.partly(s, 0, len(rows))
	progress := s.begin("looked at", len(rows))
	for i, r := range rows {
		_, p, err := s.picture(ctx, folder, r)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil:
			s.Problems = append(s.Problems, err)
			r.unreadable = !errors.As(err, new(*AwayError))
		default:
			r.pictured = &p
			s.shown[r.Frame.Name] = &p
		}
		s.partly(s, i+1, len(rows))
		progress(i + 1)
	}
	return nil
}

// looseRows are rows without a shot, for frames that belong to none, or are a guess.
func (s *Sheet) looseRows() (rows []*Row) {
	add := func(f frames.Frame) { rows = append(rows, &Row{Frame: &f, Match: match.Match{Sure: match.Open}}) }
	for _, f := range slices.Concat(s.Extra, s.Untimed) {
		add(f)
	}
	return rows
}

// frameNamed is the only frame that is called that.
func (s *Sheet) frameNamed(name string) (*frames.Frame, error) {
	var found []frames.Frame
	exact := func(f frames.Frame) bool { return f.Name == name }
	add := func(all []frames.Frame) {
		if i := slices.IndexFunc(all, exact); i >= 0 {
			found = []frames.Frame{all[i]}
			return
		}
		for _, f := range all {
			if isNamed(f, name) && !slices.ContainsFunc(found, exact) {
				found = append(found, f)
			}
		}
	}
	add(s.Extra)
	add(s.Untimed)
	for _, r := range s.Rows {
		if r.Frame != nil && !slices.ContainsFunc(found, func(f frames.Frame) bool { return f.Name == r.Frame.Name }) {
			add([]frames.Frame{*r.Frame})
		}
	}
	switch len(found) {
	case 0:
		if at := slices.IndexFunc(s.unread, func(u unread) bool { return isNamed(u.Frame, name) }); at >= 0 {
			return nil, s.unread[at].why
		}
		return nil, errors.New("no frame in the folder is called that")
	case 1:
		return &found[0], nil
	}
	return nil, fmt.Errorf("both %s and %s are called that; give the folder too", found[0].Name, found[1].Name)
}

// suggestion is what a row's picture suggests; false where it was not looked at.
func (s *Sheet) suggestion(r *Row) (g look.Suggestion, ok bool) {
	if r.pictured == nil {
		return g, false
	}
	measured := look.Seen{Tones: r.pictured.Tones}
	if p := r.pictured.Seen; p != nil && !p.OtherWay {
		measured.Liquid = &look.Liquid{Found: p.Found, Contrast: p.Contrast}
		measured.Blur = &look.Blur{Smear: p.SmearPx}
		measured.Miss = s.missOf(r)
	}
	return look.Suggest(measured, s.toleranceOf(r)), true
}

// toleranceOf is how far off the picture of a row's shot is still good.
func (s *Sheet) toleranceOf(r *Row) time.Duration {
	set, err := shot.ParseSet(r.Shot.Set)
	if err != nil {
		return s.tolerance()
	}
	return set.ToleranceIn(r.Shot, s.tolerance())
}

// missOf is how far a row's liquid is past its place, with what that is in time; nil if it is not known.
func (s *Sheet) missOf(r *Row) *look.Miss {
	if r.pictured == nil || r.pictured.Seen == nil || !r.pictured.Seen.Placed || s.reference == nil {
		return nil
	}
	set, err := s.reference.sets.ParseSet(r.Shot.Set)
	if err != nil {
		return nil
	}
	speed, err := set.SpeedAt(r.Shot)
	if err != nil {
		return nil
	}
	m := look.Miss{Cut: r.pictured.Seen.Cut}
	var ok bool
	if m.Past, m.SD, ok = s.reference.past(r, r.pictured.Seen); !ok {
		return nil
	}
	whole := phys.Length(math.Hypot(float64(m.SD), speedSD*float64(m.Past)))
	if m.Delay, ok = tuning.MeasuredAlong(m.Past, whole, speed); !ok {
		return nil
	}
	return &m
}

// tolerance is how far off a picture is still good, for the session's set; 0 if that cannot be worked out.
func (s *Sheet) tolerance() time.Duration {
	set, err := shot.ParseSet(s.Session.Set)
	if err != nil {
		return 0
	}
	plan, err := shot.TuningPlan(set, shot.DefaultSpread(), 100*time.Nanosecond)
	if err != nil {
		return 0
	}
	return plan.Tolerance
}
