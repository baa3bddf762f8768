package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/firmware/avr"
	"stillwater/firmware/image"
	"stillwater/internal/control"
)

// The real firmware, on a simulated chip in this machine's time, from a phone's tap to the record. How exact it is is
// measured elsewhere, in the chip's own time; here what counts is what the board itself reports.
func TestDaemonWithTheFirmware(t *testing.T) {
	t.Parallel()
	board := avr.StartTerminal(t)
	board.Pin("kill", false)
	for _, pin := range []string{"gate", "beam", "sync", "button"} {
		board.Pin(pin, true)
	}
	conf := serialConfig(t, board.Path)
	d := startDaemon(t, "--config", conf, "--journal", filepath.Join(t.TempDir(), "j.db"))
	h := d.pair()
	assert.Equal(t, "serial", h.last.Board.Kind)
	assert.Equal(t, 0.5, h.last.Board.TickUs)
	h.ready()
	h.must(control.Command{Type: "set", Field: "kind", Value: "drop"})
	require.Nil(t, h.last.Refusal)

	board.Changes()
	made := h.dropShot(func() {
		board.Pin("beam", false)
		h.until("the beam is broken", func(s *control.Snapshot) bool { return s.Inputs[1].Active })
		board.Pin("beam", true)
	})
	assert.False(t, made.Simulated)
	require.NotEmpty(t, made.Cues)
	for _, cue := range made.Cues {
		assert.InDelta(t, 0, cue.LateUs, 0.5, "%s: hardware times it, to the tick", cue.Name)
	}
	on := map[string]int{}
	for _, c := range board.Changes() {
		if c.On {
			on[c.Name]++
		}
	}
	assert.Equal(t, map[string]int{"shutter": 1, "flash1": 1, "flash2": 1}, on)

	// The microphone's level comes from the chip's converter, and its threshold goes there.
	h.until("the level is measured", func(s *control.Snapshot) bool { return s.Inputs[2].Level != nil })
	h.must(control.Command{Type: "threshold", Input: "microphone", Level: 60})
	h.until("the threshold is set", func(s *control.Snapshot) bool { return s.Inputs[2].Level.Threshold == 60 })

	// A dry run goes by the same edges and switches nothing.
	board.Changes()
	h.armAs(control.Command{Shots: 1, Dry: true})
	board.Pin("beam", false)
	h.until("it ran dry", func(s *control.Snapshot) bool { return len(s.DryShots) == 1 })
	board.Pin("beam", true)
	h.until("that was all", func(s *control.Snapshot) bool { return s.State == control.Safe })
	assert.InDelta(t, made.DelayMs, h.last.DryShots[0].DelayMs, 0.001)
	assert.Equal(t, 1, h.last.ShotCount, "only the real shot counts")
	assert.Empty(t, board.Changes(), "no output moved")

	// A foot on the button disarms, and while it is down nothing is armed.
	h.arm(9)
	board.Pin("button", false)
	h.until("it is disarmed", func(s *control.Snapshot) bool { return s.State == control.Safe })
	assert.Equal(t, "disarmed by the button", h.last.Reason)
	board.Pin("button", true)
	h.until("the button is up", func(s *control.Snapshot) bool { return !s.Inputs[5].Active })

	// Opening a port resets many boards; one that is reset while armed is gone, comes back, and is not armed.
	h.arm(9)
	board.Reset()
	h.until("the board started again", func(s *control.Snapshot) bool { return !s.Board.Connected })
	assert.Contains(t, h.last.Board.Problem, "restarted (external reset)")
	h.until("it is back", func(s *control.Snapshot) bool { return s.Board.Connected })
	assert.Equal(t, control.Safe, h.last.State)
	require.Zero(t, d.stop(), d.log)
}

// What is embedded and flashed is what the compiler made: the name that the program reads out of the image is the one
// that the chip says.
func TestTheFirmwaresImage(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile(avr.Build(t).Hex)
	require.NoError(t, err)
	built, err := image.Parse(text)
	require.NoError(t, err)
	t.Logf("%+v", built)
	board := avr.StartTerminal(t)
	d := startDaemon(t, "--config", serialConfig(t, board.Path), "--journal", filepath.Join(t.TempDir(), "j.db"))
	d.pair()
	require.Zero(t, d.stop())
	assert.Contains(t, d.log.String(), `firmware="`+built.Name+`"`)
}
