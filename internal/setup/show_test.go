package setup

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
	"stillwater/internal/sentence"
	"stillwater/internal/svg"
)

// The header as it is drawn is the one that pins are looked up on.
func TestHeaderIsTheMachines(t *testing.T) {
	host := gpiochip.HostOf("a board", []string{"raspberrypi,4-model-b", "brcm,bcm2711"}, 0xc03111)
	require.Len(t, host.Header, len(header40))
	for _, p := range host.Header {
		if p.Number >= 0 {
			assert.Equal(t, p.Name, header40[p.Position])
		} else {
			assert.False(t, gpioName.MatchString(header40[p.Position]), p.Position)
		}
	}
}

// What is connected, and nothing else, is in the list, the text and the drawing; each says the same.
func TestWiringIsShown(t *testing.T) {
	elsewhere := first()
	elsewhere.Pins["beam"] = "gpiochip1:3"
	blind := first()
	delete(blind.Pins, "beam")
	for name, c := range map[string]struct {
		a    Answers
		has  []string
		not  []string
		note string
	}{
		"first": {first(), []string{"BEAM", "FLASH1", "KILL", "GND"}, []string{"VALVE1", "HEARTBEAT"},
			"choose I do, by hand"},
		"everything": {everything(), []string{"BEAM", "VALVE2", "HEARTBEAT"}, nil, "3.3 V"},
		"elsewhere":  {elsewhere, []string{"gpiochip1:3", "BEAM"}, []string{"GATE"}, "without the guard"},
		"blind":      {blind, []string{"FLASH1"}, []string{"BEAM"}, "nothing can begin a shot"},
		"timing":     {Answers{Board: config.Serial}, []string{"PB0", "BEAM", "HEARTBEAT"}, nil, "built in"},
		"stopped":    {Answers{Board: config.Serial}, []string{"KILL"}, nil, "kill switch is open or not there"},
		"by hand":    {Answers{Board: config.Serial}, []string{"SHUTTER"}, nil, "choose I do, by hand"},
		"simulated":  {Answers{Board: config.Simulated}, nil, []string{"BEAM"}, "simulated"},
	} {
		t.Run(name, func(t *testing.T) {
			w := WiringOf(c.a)
			drawn, text := w.SVG(), w.Text()
			decoder := xml.NewDecoder(strings.NewReader(drawn))
			for {
				if _, err := decoder.Token(); errors.Is(err, io.EOF) {
					break
				} else {
					require.NoError(t, err)
				}
			}
			_, rows := w.Rows()
			var list strings.Builder
			for _, r := range rows {
				list.WriteString(strings.Join(r, " ") + "\n")
			}
			for _, words := range c.has {
				assert.Contains(t, list.String(), words)
				assert.Contains(t, text, words)
				assert.Contains(t, drawn, words)
			}
			for _, words := range c.not {
				assert.NotContains(t, list.String()+text, words)
				assert.NotContains(t, drawn, ">"+words+"<")
			}
			assert.Contains(t, strings.Join(w.Notes, "\n"), c.note)
			for line := range strings.Lines(text) {
				assert.LessOrEqual(t, utf8.RuneCountInString(line), 80)
			}
			assert.Equal(t, len(w.Joints)-len(w.elsewhere()), strings.Count(drawn, `<rect class="used"`), "one square each")
		})
	}
}

// svgText is a text of a drawing, with the letters that its class has.
type svgText struct {
	X      float64 `xml:"x,attr"`
	Y      float64 `xml:"y,attr"`
	Anchor string  `xml:"text-anchor,attr"`
	Class  string  `xml:"class,attr"`
	Words  string  `xml:",chardata"`
}

// Every text of every drawing is inside it, in a wide font, and every note is there to its last word.
func TestTextsFitTheDrawing(t *testing.T) {
	far := everything()
	for name := range far.Pins {
		far.Pins[name] = "/dev/gpiochip-by-a-very-long-name-of-a-chip-of-some-other-board:1234"
	}
	for name, a := range map[string]Answers{"first": first(), "everything": everything(), "far": far,
		"nothing": {Board: config.GPIO, Pins: map[string]string{}}, "timing": {Board: config.Serial},
		"simulated": {Board: config.Simulated}} {
		t.Run(name, func(t *testing.T) {
			w := WiringOf(a)
			var drawn struct {
				ViewBox string    `xml:"viewBox,attr"`
				Texts   []svgText `xml:"text"`
			}
			require.NoError(t, xml.Unmarshal([]byte(w.SVG()), &drawn))
			var wide, high float64
			_, err := fmt.Sscanf(drawn.ViewBox, "0 0 %g %g", &wide, &high)
			require.NoError(t, err)
			var all []string
			for _, x := range drawn.Texts {
				size := letter
				for _, class := range strings.Fields(x.Class) {
					size = map[string]float64{"t": 5 * boldness, "s": letter * boldness, "n": 2.6, "g": letter, "used": size}[class]
				}
				long := svg.Width(x.Words, size)
				left := x.X - map[string]float64{"start": 0, "middle": long / 2, "end": long}[x.Anchor]
				assert.GreaterOrEqual(t, left, 0.0, x.Words)
				assert.LessOrEqual(t, left+long, wide, x.Words)
				assert.LessOrEqual(t, x.Y, high-1, x.Words)
				all = append(all, x.Words)
			}
			for _, note := range w.Notes {
				assert.Contains(t, strings.Join(all, " "), sentence.From(note))
			}
		})
	}
}
