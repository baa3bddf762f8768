package setup

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
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
	for name, c := range map[string]struct {
		a    Answers
		has  []string
		not  []string
		note string
	}{
		"first": {first(), []string{"BEAM", "FLASH1", "KILL", "GND"}, []string{"VALVE1", "HEARTBEAT"},
			"without the guard"},
		"everything": {everything(), []string{"BEAM", "VALVE2", "HEARTBEAT"}, nil, "3.3 V"},
		"elsewhere":  {elsewhere, []string{"gpiochip1:3", "BEAM"}, []string{"GATE"}, "without the guard"},
		"timing":     {Answers{Board: config.Serial}, []string{"PB0", "BEAM", "HEARTBEAT"}, nil, "built in"},
		"simulated":  {Answers{Board: config.Simulated}, nil, []string{"BEAM"}, "simulated"},
	} {
		t.Run(name, func(t *testing.T) {
			w := WiringOf(c.a)
			svg, text := w.SVG(), w.Text()
			decoder := xml.NewDecoder(strings.NewReader(svg))
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
				assert.Contains(t, svg, words)
			}
			for _, words := range c.not {
				assert.NotContains(t, list.String()+text, words)
				assert.NotContains(t, svg, ">"+words+"<")
			}
			assert.Contains(t, strings.Join(w.Notes, "\n"), c.note)
			for line := range strings.Lines(text) {
				assert.LessOrEqual(t, utf8.RuneCountInString(line), 80)
			}
			assert.Equal(t, len(w.Joints)-len(w.elsewhere()), strings.Count(svg, `<rect class="used"`), "one square each")
		})
	}
}
