package circuit

import (
	"encoding/csv"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/setup"
	"stillwater/internal/wiring"
)

// carrier finds a carrier of the design by its name.
func carrier(t testing.TB, name string) *Carrier {
	t.Helper()
	c := find(design(t).Carriers, func(c *Carrier) bool { return c.Name == name })
	require.NotNil(t, c, name)
	return c
}

var pinMacro = regexp.MustCompile(`(?m)^#define PIN_([A-Z0-9]+) ([B-D]), ([0-7])$`)

// The firmware's header says which port is what; the carrier's wires say the same.
func TestTheTimingBoardIsWiredAsTheFirmwareHasIt(t *testing.T) {
	header, err := os.ReadFile("../../firmware/src/pins.h")
	require.NoError(t, err)
	firmware := map[string]string{}
	for _, m := range pinMacro.FindAllStringSubmatch(string(header), -1) {
		if m[1] != "RECEIVE" && m[1] != "TRANSMIT" { // the serial line stays on the carrier
			firmware[m[1]] = "P" + m[2] + m[3]
		}
	}
	require.NotEmpty(t, firmware)
	firmware["MIC_TAP"] = firmware["MICROPHONE"] // the firmware listens to the analog tap
	delete(firmware, "MICROPHONE")
	assert.Equal(t, firmware, lines(carrier(t, "mega328")))
}

// lines are the signals of a carrier with the names that software has for their pins.
func lines(c *Carrier) map[string]string {
	list := map[string]string{}
	for _, w := range c.Wires {
		if w.Pin != Open && w.Line != "" {
			list[w.Signal] = w.Line
		}
	}
	return list
}

// dil is where the ports of the 28-pin package are, from the datasheet's pin-out, from memory.
var dil = map[string]string{"PD2": "4", "PD3": "5", "PD4": "6", "PD5": "11", "PD6": "12", "PD7": "13", "PB0": "14",
	"PB1": "15", "PB2": "16", "PB3": "17", "PC0": "23", "PC1": "24", "PC2": "25"}

func TestPortsAreAtTheirPlaces(t *testing.T) {
	for _, w := range carrier(t, "mega328").Wires {
		if w.Line != "" {
			assert.Equal(t, "DIL_"+dil[w.Line], w.Pin, w.Line)
		}
	}
	for _, w := range carrier(t, "sbc40").Wires {
		assert.True(t, w.Pin == Open || strings.HasPrefix(w.Pin, "P1_"), w.Pin)
	}
}

// example is the configuration's example with everything, which is for the 40-pin header.
func example(t testing.TB) config.Config {
	t.Helper()
	c, err := config.Load("../../internal/config/testdata/stillwater.toml")
	require.NoError(t, err)
	return c
}

// line40 is the name of a configured line; the header's positions and chip numbers are looked up in the carrier.
func line40(c *Carrier, l wiring.Line) string {
	if l.Pin == "" {
		return "GPIO" + strconv.Itoa(l.Number)
	}
	for _, w := range c.Wires {
		if w.Pin == l.Pin {
			return w.Line
		}
	}
	return l.Pin
}

func TestTheSingleBoardComputerIsWiredAsTheExampleHasIt(t *testing.T) {
	sbc, c := carrier(t, "sbc40"), example(t)
	want := lines(sbc)
	seen := 0
	check := func(signal string, l wiring.Line) {
		seen++
		assert.Equal(t, want[strings.ToUpper(signal)], line40(sbc, l), signal)
	}
	for _, in := range c.Board.Inputs {
		check(in.Name, in.Line)
	}
	for _, out := range c.Board.Outputs {
		check(out.Name, out.Line)
	}
	require.NotNil(t, c.Board.Heartbeat)
	check("heartbeat", *c.Board.Heartbeat)
	assert.GreaterOrEqual(t, seen, 12, "the example has the whole hardware")
}

// What stillwater setup offers is how the hardware is wired, on both controllers.
func TestSetupOffersTheHardwaresPins(t *testing.T) {
	sbc, timing := lines(carrier(t, "sbc40")), lines(carrier(t, "mega328"))
	timing["MICROPHONE"] = timing["MIC_TAP"] // the firmware listens to the analog tap
	for _, p := range setup.Parts() {
		signal := strings.ToUpper(p.Name)
		assert.Equal(t, sbc[signal], p.Pin, p.Name)
		assert.Equal(t, timing[signal], p.Port, p.Name)
	}
	for _, j := range setup.WiringOf(setup.Answers{Board: config.Serial}).Joints {
		if j.Part != "" {
			assert.Equal(t, dil[j.Pin], j.Position, j.Part)
		}
	}
}

// What the simulation found the electronics to delay is what the example compensates.
func TestTheExampleCompensatesTheSimulatedDelays(t *testing.T) {
	text, err := os.ReadFile("../generated/delays.csv")
	require.NoError(t, err)
	rows := csv.NewReader(strings.NewReader(string(text)))
	rows.Comment = '#'
	table, err := rows.ReadAll()
	require.NoError(t, err)
	us := map[string]float64{}
	for _, r := range table[1:] {
		us[r[0]], err = strconv.ParseFloat(r[2], 64)
		require.NoError(t, err)
	}
	c, seen := example(t), 0
	check := func(name string, got time.Duration) {
		if want, is := us[name]; is && name != "sync" {
			seen++
			assert.Equal(t, math.Round(want), got.Seconds()*1e6, name)
		}
	}
	for _, in := range c.Board.Inputs {
		check(in.Name, in.Delay)
	}
	for _, out := range c.Board.Outputs {
		check(out.Name, out.Delay)
	}
	assert.GreaterOrEqual(t, seen, 6)
}

func TestErrorsNameLineAndRemedy(t *testing.T) {
	head := "type r resistor \"a resistor\" p=1 v=1 makers=\"a (b); c (d)\"\nboard b \"B\" 100x100\n" +
		"group LOGIC 5 \"x\"\nnet A LOGIC 5\nsection s \"S\" 0,0 10x10\n"
	for name, c := range map[string]struct{ text, why string }{
		"unknown statement": {"wires A B", "line 1: unknown statement \"wires\": begin the line with"},
		"open quote":        {"board b \"B 100x100", "line 1: a quote is not closed"},
		"unknown kind":      {"type x relay \"a relay\"", "line 1: type x is of unknown kind \"relay\""},
		"bad rating":        {"type x resistor \"a\" p=much", "rating p=\"much\" of type x is not a number"},
		"part before board": {"part R1 r 1k : 1=A 2=A", "line 1: part outside a board"},
		"unknown type":      {head + "part R1 q 1k : 1=A 2=A", "line 6: part R1 is of unknown type \"q\""},
		"bad value":         {head + "part R1 r 1kk : 1=A 2=A", "line 6: part R1: \"1kk\" is not a value"},
		"unknown net":       {head + "part R1 r 1k : 1=A 2=B", "line 6: part R1: unknown net \"B\""},
		"missing pin":       {head + "part R1 r 1k : 1=A", "line 6: part R1 has 1 pins of 2: its pins are 1, 2"},
		"wrong letter":      {head + "part C1 r 1k : 1=A 2=A", "line 6: part C1 is a resistor: begin it with R"},
		"twice":             {head + "part R1 r 1k : 1=A 2=A\npart R1 r 1k : 1=A 2=A", "line 7: part R1 is there twice"},
		"lonely net":        {head + "net Z LOGIC 5\npart R1 r 1k : 1=A 2=A", "line 6: net Z of board b has 0 pin"},
		"no end":            {"each A=1,2", "line 1: each without end"},
		"uneven each":       {"each A=1,2 B=1\nend", "line 1: each needs"},
		"bad place":         {head + "part R1 r 1k at=1,x : 1=A 2=A", "is not two whole numbers"},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			_, err := Parse(c.text)
			require.ErrorContains(t, err, c.why)
			var at *ParseError
			require.ErrorAs(t, err, &at)
			assert.NotEmpty(t, at.Remedy)
		})
	}
}

// What is accepted can be checked, drawn and made faulty without a panic; what is not says where and what to do.
func FuzzParse(f *testing.F) {
	f.Add("each A=1,2\nboard b$A \"B\" 100x100\nend")
	f.Add("type r resistor \"a\" p=1\ncarrier c \"C\" volts=3\nwire 1 - A")
	f.Add(`type r resistor "a" p=1 v=50 tol=0.01 legs=0,0/4,0 body=6.3x2.4
type m nmos "a" legs=0,0/1,0/2,0 body=4x5
board b "B" 100x60
group g 12 "all"
net GND g 0 use=zero
net A g 5 use=out amps=0.2
section s "S" 0,0 40x30
part R1 r 1k at=10,10 hole=3,4,90 : 1=A 2=GND
part Q1 m at=20,10,mirror hole=9,9 : G=A D=A S=GND`)
	f.Fuzz(func(t *testing.T, text string) {
		d, err := Parse(text)
		if err != nil {
			requireParseError(t, err, text)
			return
		}
		d.Check()
		for _, b := range d.Boards {
			finiteAll(t, b.Width, b.Height)
			for _, n := range b.Nets {
				finiteAll(t, n.Volts, n.Peak, n.Amps)
			}
			for _, s := range b.Sections {
				for _, fault := range b.Faults(s.Name) {
					faulty, err := d.With(fault)
					require.NoError(t, err)
					require.NotEmpty(t, d.Describe(fault))
					require.Len(t, faulty.Board(b.Name).Parts, len(b.Parts)+1, "a resistor more")
				}
			}
		}
	})
}
