package shot

import (
	"fmt"
	"strconv"
	"strings"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
	"stillwater/internal/valve"
)

// ClockFrom is what the flash's delay runs from.
type ClockFrom string

const (
	// FromBeam: the last drop's edge at the beam. What valves and hanging drops scatter by does not reach the picture.
	FromBeam ClockFrom = "beam"
	// FromValve: Go. There is no beam in the set.
	FromValve ClockFrom = "valve"
)

// Wanted is what a picture of drops on command shows.
type Wanted string

const (
	WantPhase     Wanted = "phase"     // a phase of the last drop's splash
	WantCollision Wanted = "collision" // the second drop meets the column of the first
)

// ColumnSide is on which side of its highest point the column is met.
type ColumnSide string

const (
	ColumnRising  ColumnSide = "rising"
	ColumnSinking ColumnSide = "sinking"
)

// SheetPhase is how far a collision's sheet has spread.
type SheetPhase string

const (
	SheetContact SheetPhase = "contact" // drop and column touch
	SheetOpening SheetPhase = "opening" // half of the time until it is widest
	SheetWidest  SheetPhase = "widest"
)

// DropsSet is the arrangement for drops on command. Height and Beam are below the tip.
type DropsSet struct {
	Count   int       `json:"count"` // drops of one shot
	First   Opening   `json:"first"`
	Second  Opening   `json:"second"`
	Third   Opening   `json:"third"`
	GapTrim phys.Time `json:"gap_trim"` // added to the gap that is worked out: the column comes later by it than published

	Height phys.Length `json:"height"` // tip to pool surface
	Beam   phys.Length `json:"beam"`   // tip to beam
	From   ClockFrom   `json:"from"`

	Tip       phys.Length `json:"tip"`       // outer diameter
	Bore      phys.Length `json:"bore"`      // narrowest diameter of valve and tip
	Head      phys.Length `json:"head"`      // from the tip up to the liquid's surface, or to the air tube's lower end
	Discharge Coefficient `json:"discharge"` // of valve and tip
	Opens     phys.Time   `json:"opens"`     // from switching on until liquid flows
	Closes    phys.Time   `json:"closes"`    // from switching off until none flows
	Weighed   Weighings   `json:"weighed"`   // what openings gave on a scale; "": computed from the above

	Liquid     string      `json:"liquid"`      // of the drops: a name in liquids.All
	PoolLiquid string      `json:"pool_liquid"` // one too, or SameLiquid
	PoolDepth  phys.Length `json:"pool_depth"`

	Want         Wanted       `json:"want"`
	Phase        splash.Phase `json:"phase"`         // of the last drop
	Meet         phys.Length  `json:"meet"`          // collision: of the column's tip above the surface
	Column       ColumnSide   `json:"column"`        // collision: what the column does then
	ColumnHeight phys.Length  `json:"column_height"` // of the first drop's column, if measured; 0: estimated
	ColumnTime   phys.Time    `json:"column_time"`   // from contact until it is highest, if measured; 0: estimated
	Sheet        SheetPhase   `json:"sheet"`         // collision: the moment
}

// Opening is one time that a valve is open: a drop on command.
type Opening struct {
	Valve int       `json:"valve"` // 1 for the first valve of the configuration
	Open  phys.Time `json:"open"`  // how long it is switched on
	// Gap is between the starts of this opening and the one before; of the first, after Go. 0 of the second of a
	// collision: it is worked out.
	Gap phys.Time `json:"gap"`
}

// Coefficient is the part of Torricelli's discharge that flows.
type Coefficient float64

func (c Coefficient) String() string { return strconv.FormatFloat(float64(c), 'g', -1, 64) }

// UnmarshalText accepts a number; on error it leaves *c unchanged.
func (c *Coefficient) UnmarshalText(text []byte) error {
	x, err := strconv.ParseFloat(strings.TrimSpace(string(text)), 64)
	if err != nil {
		return fmt.Errorf("%q is not a number like 0.6", text)
	}
	*c = Coefficient(x)
	return nil
}

// MarshalText formats c as String does.
func (c Coefficient) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// Weighings is a table of valve.ParseWeighings, as text.
type Weighings string

// maxCount is how many drops one shot may have.
const maxCount = 3

// defaultDrops drops twice and has the second meet the first one's column. Common practice, no source.
func defaultDrops() DropsSet {
	drop := Opening{Valve: 1, Open: 19 * ms}
	third := drop
	third.Gap = 150 * ms
	return DropsSet{Count: 2, First: drop, Second: drop, Third: third, Height: 40 * cm, Beam: 5 * cm, From: FromBeam,
		Tip: 3 * mm, Bore: 2 * mm, Head: 20 * cm, Discharge: 0.6, Opens: 4 * ms, Closes: 4 * ms,
		Liquid: "water", PoolLiquid: SameLiquid, PoolDepth: 10 * cm,
		Want: WantCollision, Phase: splash.ColumnHighest, Meet: 10 * mm, Column: ColumnRising, Sheet: SheetWidest}
}

// fields lists every field of d, bound to it, and its trim.
func (d *DropsSet) fields(trim *phys.Time) []field {
	var names []string
	for _, l := range liquids.All() {
		names = append(names, l.Name)
	}
	list := []field{count("drops.count", &d.Count, 1, maxCount)}
	for i, o := range []*Opening{&d.First, &d.Second, &d.Third} {
		name := "drops." + openingNames[i]
		list = append(list, count(name+".valve", &o.Valve, 1, 8),
			quantity(name+".open", &o.Open, 1*ms, 1), quantity(name+".gap", &o.Gap, 0, 10))
	}
	list = append(list,
		quantity("drops.gap_trim", &d.GapTrim, -200*ms, 200*ms),
		quantity("drops.height", &d.Height, 1*cm, 5),
		quantity("drops.beam", &d.Beam, 1*mm, 5),
		choice("drops.from", &d.From, []ClockFrom{FromBeam, FromValve}),
		quantity("drops.tip", &d.Tip, 0.1*mm, 1*cm),
		quantity("drops.bore", &d.Bore, 0.1*mm, 1*cm),
		quantity("drops.head", &d.Head, 1*cm, 5),
		quantity("drops.discharge", &d.Discharge, 0.05, 1),
		quantity("drops.opens", &d.Opens, 0, 100*ms),
		quantity("drops.closes", &d.Closes, 0, 100*ms),
		weighings("drops.weighed", &d.Weighed),
		choice("drops.liquid", &d.Liquid, names),
		choice("drops.pool_liquid", &d.PoolLiquid, append([]string{SameLiquid}, names...)),
		quantity("drops.pool_depth", &d.PoolDepth, 1*mm, 1),
		choice("drops.want", &d.Want, []Wanted{WantPhase, WantCollision}),
		choice("drops.phase", &d.Phase, splash.Phases()),
		quantity("drops.meet", &d.Meet, 1*mm, 1),
		choice("drops.column", &d.Column, []ColumnSide{ColumnRising, ColumnSinking}),
		quantity("trim.drops", trim, -2, 2),
		quantity("drops.column_height", &d.ColumnHeight, 0, 1),
		quantity("drops.column_time", &d.ColumnTime, 0, 1),
		choice("drops.sheet", &d.Sheet, []SheetPhase{SheetContact, SheetOpening, SheetWidest}))
	for i := range list {
		list[i].optional = true // sets of other kinds were stored before there were drops on command
	}
	return list
}

// openingNames are the openings' names in JSON, in order of time.
var openingNames = [maxCount]string{"first", "second", "third"}

// openings lists the openings of the drops in use.
func (d DropsSet) openings() []Opening {
	return []Opening{d.First, d.Second, d.Third}[:d.Count]
}

// weighings is the field of a table of weighings.
func weighings(name string, at *Weighings) field {
	const accepts = `weighings like "20 drops 1.1 g at 24 ms; 20 drops 1.4 g at 30 ms", or nothing`
	return field{name: name, accepts: func() string { return accepts },
		parse: func(text string) error {
			table, err := valve.ParseWeighings(text)
			if err == nil {
				*at = Weighings(valve.FormatWeighings(table))
			}
			return err
		},
		text: func() string { return string(*at) },
		check: func() string {
			if _, err := valve.ParseWeighings(string(*at)); err != nil {
				return err.Error()
			}
			return ""
		}}
}

// checkTogether checks what can be checked without working out where the drops are.
func (d DropsSet) checkTogether() error {
	if d.From == FromBeam && d.Beam >= d.Height {
		return &FieldError{Field: "drops.beam",
			Why:    fmt.Sprintf("%v below the tip is at or below the surface, which is at %v", d.Beam, d.Height),
			Remedy: fmt.Sprintf("use less than %v", d.Height)}
	}
	if d.Bore > d.Tip {
		return &FieldError{Field: "drops.bore", Why: fmt.Sprintf("%v is wider than the tip itself, %v", d.Bore, d.Tip),
			Remedy: fmt.Sprintf("use %v or less", d.Tip)}
	}
	if d.Want == WantCollision && d.ColumnHeight >= d.Height {
		return &FieldError{Field: "drops.column_height",
			Why:    fmt.Sprintf("%v above the surface is at or above the tip, which is at %v", d.ColumnHeight, d.Height),
			Remedy: fmt.Sprintf("use less than %v", d.Height)}
	}
	if d.Want == WantCollision && d.Count < 2 {
		return &FieldError{Field: "drops.count", Why: "one drop meets no column", Remedy: "use 2, or choose a phase"}
	}
	if d.Want == WantCollision && d.Meet >= d.Height {
		return &FieldError{Field: "drops.meet",
			Why:    fmt.Sprintf("%v above the surface is at or above the tip, which is at %v", d.Meet, d.Height),
			Remedy: fmt.Sprintf("use less than %v", d.Height)}
	}
	return nil
}
