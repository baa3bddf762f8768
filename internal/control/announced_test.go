package control

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// microcontroller is what the firmware announces.
func microcontroller() board.Identity {
	return board.Identity{
		Version: wire.Version, Firmware: "m328p 1.0", TickHz: 2e6, Tick: 500, Lead: 100 * time.Microsecond,
		EdgeLead: 300 * time.Microsecond, GateLead: 500 * time.Microsecond, TableLen: 32, CueLen: 8,
		Inputs: []board.InputInfo{{Kind: wire.InputBeam, Name: "gate"}, {Kind: wire.InputBeam, Name: "beam"},
			{Kind: wire.InputMicrophone, Name: "microphone", ActiveHigh: true}, {Kind: wire.InputSync, Name: "sync"},
			{Kind: wire.InputKill, Name: "kill", ActiveHigh: true}, {Kind: wire.InputButton, Name: "button"}},
		Outputs: []board.OutputInfo{{Kind: wire.OutputShutter, Name: "shutter", MaxOn: time.Minute},
			{Kind: wire.OutputFocus, Name: "focus", MaxOn: time.Minute},
			{Kind: wire.OutputFlash, Name: "flash1", MaxOn: 100 * time.Millisecond},
			{Kind: wire.OutputFlash, Name: "flash2", MaxOn: 100 * time.Millisecond},
			{Kind: wire.OutputValve, Name: "valve1", MaxOn: 500 * time.Millisecond},
			{Kind: wire.OutputValve, Name: "valve2", MaxOn: 500 * time.Millisecond}},
	}
}

// kind = "serial" is all that a user writes.
func TestAnAnnouncedBoardNeedsNoOtherConfiguration(t *testing.T) {
	conf, err := config.Parse("stillwater.toml", []byte("[board]\nkind = \"serial\"\n"))
	require.NoError(t, err)
	w, err := AnnouncedWiring(conf.Board.Pins)(microcontroller())
	require.NoError(t, err)
	assert.Equal(t, []wired{{"gate", "gate", true}, {"beam", "beam", true}, {"microphone", "microphone", false},
		{"sync", "sync", true}, {"kill", "kill", false}, {"button", "button", true}}, sensors(w.Inputs))
	assert.Equal(t, shot.Bench{
		Gate:       &shot.Sensor{Index: 0, Name: "gate", Falling: true, Delay: beamDelay},
		Beam:       &shot.Sensor{Index: 1, Name: "beam", Falling: true, Delay: beamDelay},
		Microphone: &shot.Sensor{Index: 2, Name: "microphone", Delay: microphoneDelay},
		Shutter:    &shot.Output{Index: 0, Name: "shutter", MaxOn: time.Minute, Delay: contactDelay},
		Flash:      &shot.Output{Index: 2, Name: "flash1", MaxOn: 100 * time.Millisecond, Delay: flashDelay},
		MoreFlash:  []shot.Output{{Index: 3, Name: "flash2", MaxOn: 100 * time.Millisecond, Delay: flashDelay}},
		Valves: []shot.Output{{Index: 4, Name: "valve1", MaxOn: 500 * time.Millisecond},
			{Index: 5, Name: "valve2", MaxOn: 500 * time.Millisecond}},
		MaxOpening: 8, Lead: 100 * time.Microsecond, EdgeLead: 300 * time.Microsecond, GateLead: 500 * time.Microsecond,
		Tick: 500, TableLen: 32, Late: time.Millisecond, HoldOff: 5 * time.Millisecond,
	}, w.Bench)
	for _, kind := range shot.Kinds() {
		set := shot.DefaultSet()
		set.Kind = kind
		_, _, err := shot.Compile(set, w.Bench)
		assert.NoError(t, err, "the board is fit for a %s", kind)
	}
}

func TestTheConfigurationSaysMoreOfWhatItNames(t *testing.T) {
	pins := wiring.Pins{
		Inputs: []wiring.Input{
			{Name: "beam", Role: wiring.Gate, ActiveHigh: true, ActiveGiven: true, Delay: 20 * time.Microsecond},
			{Name: "gate", Role: wiring.Beam},
			{Name: "button", Role: wiring.Button, Go: wiring.Hold}},
		Outputs: []wiring.Output{{Name: "flash2", Kind: wire.OutputFlash, Delay: 90 * time.Microsecond}},
	}
	w, err := AnnouncedWiring(pins)(microcontroller())
	require.NoError(t, err)
	assert.Equal(t, &shot.Sensor{Index: 1, Name: "beam", Delay: 20 * time.Microsecond}, w.Bench.Gate)
	assert.Equal(t, &shot.Sensor{Index: 0, Name: "gate", Falling: true, Delay: beamDelay}, w.Bench.Beam,
		"without a level and a delay the board's hold")
	assert.Equal(t, &shot.Output{Index: 3, Name: "flash2", MaxOn: 100 * time.Millisecond, Delay: 90 * time.Microsecond},
		w.Bench.Flash, "the one that is named comes first")
	assert.Equal(t, "flash1", w.Bench.MoreFlash[0].Name)
	assert.Equal(t, wiring.Hold, w.Inputs[5].Go)
	assert.Equal(t, wired{"beam", wiring.Gate, false}, sensors(w.Inputs)[1])
}

func TestAConfigurationOfAnotherBoardIsRefused(t *testing.T) {
	for _, c := range []struct {
		pins wiring.Pins
		want string
	}{
		{wiring.Pins{Inputs: []wiring.Input{{Name: "eye", Role: wiring.Beam}}},
			`names the input "eye", the board has gate, beam, microphone, sync, kill, button: change or remove it`},
		{wiring.Pins{Inputs: []wiring.Input{{Name: "kill", Role: wiring.Beam}}},
			`calls input "kill" a beam, the board says it is a kill: change its role`},
		{wiring.Pins{Outputs: []wiring.Output{{Name: "lamp", Kind: wire.OutputLamp}}},
			`names the output "lamp", the board has shutter, focus, flash1, flash2, valve1, valve2: change or remove it`},
		{wiring.Pins{Outputs: []wiring.Output{{Name: "valve1", Kind: wire.OutputFlash}}},
			`calls output "valve1" a flash, the board says it is a valve: change its kind`},
	} {
		_, err := AnnouncedWiring(c.pins)(microcontroller())
		assert.ErrorContains(t, err, c.want)
	}
}
