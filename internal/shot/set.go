package shot

import (
	"encoding"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"stillwater/internal/beam"
	"stillwater/internal/liquids"
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

const (
	mm = phys.Length(1e-3)
	cm = phys.Length(1e-2)
	ms = phys.Time(1e-3)

	degree = phys.Angle(math.Pi / 180)

	maxAngle = 70 * degree

	maxEdge = 10 * cm // the sheet itself is not longer than a few of these

	minSpeedRatio = 1.02 // of the fastest throw accepted to the slowest, so that the table has a range: own choice
)

// DefaultSet is a set that works on a table at home: a drip from a 3 mm nozzle 40 cm above a bowl. It still compiles if
// only its kind is changed. Common practice, no source; the lag is a guess until the camera is measured.
func DefaultSet() Set {
	light := optics.DefaultSetup()
	return Set{
		Kind: Drop,
		Drop: DropSet{Height: 40 * cm, Beam: 5 * cm, Nozzle: 3 * mm, Liquid: "water", Phase: splash.ColumnHighest,
			PoolDepth: 10 * cm, PoolLiquid: SameLiquid, Nth: 1},
		Throw: ThrowSet{Gate: 20 * cm, ToFocus: 8 * cm, Angle: 20 * degree, SpeedLow: 2, SpeedHigh: 6, Mass: 36 * mm,
			BeamHeight: guardHeight, AboveFloor: 1},
		Sound:  SoundSet{Distance: 1.5, Temperature: 20, After: 100 * ms},
		Drops:  defaultDrops(),
		Beam:   beam.Usual(),
		Light:  LightSet{Expose: FlashInDark, Shutter: ByEdgeOrGo, Lag: 60 * ms, LagScatter: 3 * ms, OpenFor: 5, Recycle: 2},
		Camera: light.Camera, Flash: light.Flash, Room: light.Room, Background: light.Background,
	}
}

// Kinds lists what can fly past the camera.
func Kinds() []Kind { return []Kind{Drop, Throw, Sound, Drops} }

// Put sets one field by its name in JSON: Put("drop.height", "40 cm"). On an error the set is unchanged.
//
// Errors: *FieldError if there is no such field, or its value cannot be parsed or is out of range. Validate and Compile
// check the fields together.
func (s *Set) Put(name, value string) error {
	return s.put(name, func(f field) error { return f.parse(strings.TrimSpace(value)) })
}

// put is Put, with the value read by read.
func (s *Set) put(name string, read func(field) error) error {
	next := *s
	for _, f := range next.fields() {
		if f.name != name {
			continue
		}
		if err := read(f); err != nil {
			return &FieldError{Field: name, Why: shortened(err.Error()), Remedy: "use " + f.accepts()}
		}
		if why := f.check(); why != "" {
			return &FieldError{Field: name, Why: shortened(why), Remedy: "use " + f.accepts()}
		}
		next.Room.ChooseWay(s.Room)
		*s = next
		return nil
	}
	return &FieldError{Field: name, Why: "there is no such field", Remedy: "use one of " + s.namesLike(name)}
}

// Validate reports fields that are impossible, alone or with the others: a *FieldError, or several joined.
func (s Set) Validate() error {
	if err := s.checkFields(); err != nil {
		return err
	}
	return s.checkTogether()
}

// checkFields checks the fields one by one.
func (s Set) checkFields() error {
	var errs []error
	for _, f := range s.fields() {
		if why := f.check(); why != "" {
			errs = append(errs, &FieldError{Field: f.name, Why: shortened(why), Remedy: "use " + f.accepts()})
		}
	}
	if len(errs) == 1 {
		return errs[0]
	}
	return errors.Join(errs...)
}

// ParseSet parses a set stored as JSON. Fields have the ranges of Put; a missing field has its value in DefaultSet.
func ParseSet(text string) (Set, error) {
	s := DefaultSet()
	err := json.Unmarshal([]byte(text), &s)
	if err == nil {
		err = s.checkFields()
	}
	if err != nil {
		return DefaultSet(), err
	}
	return s, nil
}

// checkTogether checks the fields of the chosen kind against each other; each is possible alone.
func (s Set) checkTogether() error {
	if err := s.checkCamera(); err != nil {
		return err
	}
	switch s.Kind {
	case Drops:
		return s.Drops.checkTogether()
	case Drop:
		if s.Drop.Beam >= s.Drop.Height {
			return &FieldError{Field: "drop.beam",
				Why:    fmt.Sprintf("%v below the nozzle is at or below the surface, which is at %v", s.Drop.Beam, s.Drop.Height),
				Remedy: fmt.Sprintf("use less than %v", s.Drop.Height)}
		}
		if _, err := s.DropDiameter(); err != nil {
			return err
		}
		start, err := s.Drop.start()
		if err != nil {
			return err
		}
		if least := upTo(start.Length, 0.1*mm); s.Drop.Beam < least*(1-1e-9) { // what is typed is rounded
			return &FieldError{Field: "drop.beam",
				Why: fmt.Sprintf("a drop from this nozzle is %s long when it lets go, and would break a beam %v below the tip "+
					"before that", inMm(start.Length), s.Drop.Beam),
				Remedy: fmt.Sprintf("use at least %s", inMm(least))}
		}
	case Throw:
		if t := s.Throw.Thickness; t > 0 && t < 1*mm {
			return &FieldError{Field: "throw.thickness", Why: fmt.Sprintf("a sheet of %v is spray", t),
				Remedy: "use 1 mm or more, or 0 for a mass that keeps together"}
		}
		if most := s.Throw.SpeedHigh / minSpeedRatio; s.Throw.SpeedLow > most {
			return &FieldError{Field: "throw.speed_low",
				Why:    fmt.Sprintf("%v is too close to the fastest throw accepted, %v", s.Throw.SpeedLow, s.Throw.SpeedHigh),
				Remedy: fmt.Sprintf("use %.2f m/s or less", math.Floor(float64(most)*100)/100)}
		}
	}
	return nil
}

// OwnTrim is the trim of the chosen kind.
func (s Set) OwnTrim() phys.Time {
	switch s.Kind {
	case Throw:
		return s.Trim.Throw
	case Sound:
		return s.Trim.Sound
	case Drops:
		return s.Trim.Drops
	}
	return s.Trim.Drop
}

func (s *Set) names() (names []string) {
	for _, f := range s.fields() {
		names = append(names, f.name)
	}
	return names
}

// Value is one field of a Set by its name in JSON, and its value as text.
type Value struct{ Field, Text string }

// Values lists every field. Put reads each back, a quantity to within one unit in the last place.
func (s Set) Values() []Value {
	fields := s.fields()
	values := make([]Value, len(fields))
	for i, f := range fields {
		values[i] = Value{f.name, f.text()}
	}
	return values
}

// CompareFields lists the fields of a set stored as JSON that are not known here, and those that it should have and
// does not, which ParseSet takes from DefaultSet. What has none of the fields is no set, an error.
func CompareFields(text string) (unknown, missing []string, err error) {
	var stored map[string]any
	if err := json.Unmarshal([]byte(text), &stored); err != nil {
		return nil, nil, err
	}
	there := map[string]any{}
	flatten(there, "", stored)
	known := false
	for _, f := range new(Set).fields() {
		_, is := there[f.name]
		if !is && !f.optional {
			missing = append(missing, f.name)
		}
		known = known || is
		delete(there, f.name)
	}
	if !known {
		return nil, nil, errors.New("it contains no field of a set")
	}
	return slices.Sorted(maps.Keys(there)), missing, nil
}

// flatten joins the names of what is within each other by dots.
func flatten(values map[string]any, prefix string, stored map[string]any) {
	for name, value := range stored {
		if inner, nested := value.(map[string]any); nested {
			flatten(values, prefix+name+".", inner)
			continue
		}
		values[prefix+name] = value
	}
}

// field is one field of a Set. check returns what is wrong with its value, or "".
type field struct {
	name    string
	accepts func() string
	parse   func(string) error
	stored  func(json []byte) error // reads a number in JSON; nil: as parse does
	text    func() string
	check   func() string

	optional bool // a stored set without it is whole
}

// fields lists every field of s, bound to it. The ranges are the models' domains, or what fits in a room.
func (s *Set) fields() []field {
	var names []string
	for _, l := range liquids.All() {
		names = append(names, l.Name)
	}
	d, t, n, l := &s.Drop, &s.Throw, &s.Sound, &s.Light
	return append([]field{
		choice("kind", &s.Kind, Kinds()),
		quantity("drop.height", &d.Height, 1*cm, 5),
		quantity("drop.beam", &d.Beam, 1*mm, 5),
		quantity("drop.nozzle", &d.Nozzle, 0.1*mm, 1*cm),
		quantity("drop.diameter", &d.Diameter, 0, 1*cm),
		choice("drop.liquid", &d.Liquid, names),
		choice("drop.phase", &d.Phase, splash.Phases()),
		quantity("drop.pool_depth", &d.PoolDepth, 1*mm, 1),
		addedLater(choice("drop.pool_liquid", &d.PoolLiquid, append([]string{SameLiquid}, names...))),
		count("drop.nth", &d.Nth, 1, 255),
		quantity("throw.gate", &t.Gate, 5*mm, 1),
		quantity("throw.to_focus", &t.ToFocus, 1*cm, 5),
		// Steeper, a few degrees are hundreds of milliseconds, and the budget is not within 10 % any more (tested).
		quantity("throw.angle", &t.Angle, -maxAngle, maxAngle),
		quantity("throw.speed_low", &t.SpeedLow, 0.1, 20),
		quantity("throw.speed_high", &t.SpeedHigh, 0.1, 20),
		quantity("throw.mass", &t.Mass, 2*mm, 20*cm),
		addedLater(quantity("throw.thickness", &t.Thickness, 0, 10*cm)),
		addedLater(quantity("throw.edge", &t.Edge, 0, maxEdge)),
		quantity("throw.above_floor", &t.AboveFloor, 1*mm, 5),
		addedLater(quantity("throw.beam_height", &t.BeamHeight, 0, 10*cm)),
		quantity("sound.distance", &n.Distance, 1*cm, 100),
		quantity("sound.temperature", &n.Temperature, -20, 50),
		quantity("sound.after", &n.After, 0, 10),
		addedLater(quantity("beam.slit", &s.Beam.High, 0.1*mm, 2*cm)),
		addedLater(quantity("beam.width", &s.Beam.Wide, 0.1*mm, 5*cm)),
		choice("light.expose", &l.Expose, []Exposure{FlashInDark, LagLed}),
		choice("light.shutter", &l.Shutter, []ShutterBy{ByEdgeOrGo, ByEdge, ByGo, ByHand}),
		quantity("light.lag", &l.Lag, 0, 2),
		quantity("light.lag_scatter", &l.LagScatter, 0, 0.2),
		quantity("light.open_for", &l.OpenFor, 10*ms, 600),
		quantity("light.recycle", &l.Recycle, 0, 60),
		quantity("trim.drop", &s.Trim.Drop, -2, 2),
		quantity("trim.throw", &s.Trim.Throw, -2, 2),
		quantity("trim.sound", &s.Trim.Sound, -2, 2),
	}, append(s.Drops.fields(&s.Trim.Drops), s.opticsFields()...)...)
}

// addedLater is a field that came later than others: sets were stored without it, and mean its value in DefaultSet.
func addedLater(f field) field {
	f.optional = true
	return f
}

func quantity[T interface {
	~float64
	fmt.Stringer
}, P interface {
	*T
	encoding.TextUnmarshaler
}](name string, at P, low, high T) field {
	return field{name: name, accepts: func() string { return fmt.Sprintf("%v to %v", low, high) },
		parse: func(text string) error { return at.UnmarshalText([]byte(text)) },
		text:  func() string { return (*at).String() },
		check: func() string {
			switch v := *at; {
			case v < low:
				return fmt.Sprintf("%v is less than %v", v, low)
			case v > high:
				return fmt.Sprintf("%v is more than %v", v, high)
			case math.IsNaN(float64(v)):
				return "it is not a number"
			}
			return ""
		}}
}

func choice[T ~string](name string, at *T, among []T) field {
	accepts := func() string {
		var texts []string
		for _, c := range among {
			texts = append(texts, string(c))
		}
		return strings.Join(texts, ", ")
	}
	return field{name: name, accepts: accepts,
		parse: func(text string) error { *at = T(text); return nil },
		text:  func() string { return string(*at) },
		check: func() string {
			if slices.Contains(among, *at) {
				return ""
			}
			return fmt.Sprintf("%q is not known", *at)
		}}
}

func count(name string, at *int, low, high int) field {
	return field{name: name, accepts: func() string { return fmt.Sprintf("a whole number from %d to %d", low, high) },
		parse: func(text string) (err error) {
			if *at, err = strconv.Atoi(text); err != nil {
				return fmt.Errorf("%q is not a whole number", text)
			}
			return nil
		},
		text: func() string { return strconv.Itoa(*at) },
		check: func() string {
			if *at < low || *at > high {
				return fmt.Sprintf("%d is outside %d to %d", *at, low, high)
			}
			return ""
		}}
}

// upTo rounds up to a whole number of steps, so that what is asked for is enough.
func upTo[T ~float64](x, step T) T { return phys.Round(T(math.Ceil(float64(x/step)-1e-9))*step, 9) }

// inMm formats a small length for people, to a tenth of a millimetre.
func inMm(l phys.Length) string { return strconv.FormatFloat(float64(l/mm), 'f', 1, 64) + " mm" }

// inMs formats a time for people: to a tenth of a millisecond, from a second up in seconds.
func inMs(t phys.Time) string {
	if t >= 1 || t <= -1 {
		return strconv.FormatFloat(float64(t), 'f', 2, 64) + " s"
	}
	return strconv.FormatFloat(float64(t/ms), 'f', 1, 64) + " ms"
}
