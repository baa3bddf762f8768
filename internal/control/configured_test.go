package control

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/shot"
	"stillwater/internal/wiring"
)

// wired is what the page shows of an input.
type wired struct {
	name    string
	role    wiring.Role
	falling bool
}

func sensors(inputs []wiring.Input) (list []wired) {
	for _, in := range inputs {
		list = append(list, wired{in.Name, in.Role, in.Falling()})
	}
	return list
}

// What the configuration names is what plans run on and what the page shows, in the board's order.
func TestConfiguredWiring(t *testing.T) {
	conf, err := config.Load("../config/testdata/stillwater.toml")
	require.NoError(t, err)
	id := board.Identity{Lead: 200 * time.Microsecond, EdgeLead: 300 * time.Microsecond,
		GateLead: 400 * time.Microsecond, Tick: 100 * time.Nanosecond, TableLen: 32,
		Inputs: make([]board.InputInfo, 6), Outputs: make([]board.OutputInfo, 6)}
	w, err := ConfiguredWiring(conf.Board.Pins)(id)
	require.NoError(t, err)
	assert.Equal(t, []wired{{"gate", "gate", true}, {"beam", "beam", true}, {"microphone", "microphone", true},
		{"sync", "sync", true}, {"kill", "kill", false}, {"button", "button", true}}, sensors(w.Inputs))
	assert.Equal(t, wiring.TwoPresses, w.Inputs[5].Go)
	assert.Equal(t, shot.Bench{
		Gate:       &shot.Sensor{Index: 0, Name: "gate", Falling: true, Delay: 4 * time.Microsecond},
		Beam:       &shot.Sensor{Index: 1, Name: "beam", Falling: true, Delay: 4 * time.Microsecond},
		Microphone: &shot.Sensor{Index: 2, Name: "microphone", Falling: true, Delay: 39 * time.Microsecond},
		Shutter:    &shot.Output{Index: 1, Name: "shutter", MaxOn: 5 * time.Second, Delay: 2 * time.Microsecond},
		Flash:      &shot.Output{Index: 2, Name: "flash1", MaxOn: 10 * time.Millisecond, Delay: 3 * time.Microsecond},
		MoreFlash:  []shot.Output{{Index: 3, Name: "flash2", MaxOn: 10 * time.Millisecond, Delay: 2 * time.Microsecond}},
		Valves: []shot.Output{{Index: 4, Name: "valve1", MaxOn: 200 * time.Millisecond},
			{Index: 5, Name: "valve2", MaxOn: 200 * time.Millisecond}},
		Lead: 200 * time.Microsecond, EdgeLead: 300 * time.Microsecond, GateLead: 400 * time.Microsecond,
		Tick: 100 * time.Nanosecond, TableLen: 32,
		Late: time.Millisecond, HoldOff: 5 * time.Millisecond,
	}, w.Bench)
	for _, kind := range shot.Kinds() {
		set := shot.DefaultSet()
		set.Kind = kind
		_, _, err := shot.Compile(set, w.Bench)
		assert.NoError(t, err, "the example configuration is fit for a %s", kind)
	}

	// The kernel's debounce moves the stamp, so it counts as part of the sensor's delay; the first of a role counts.
	conf.Board.Inputs[1].Debounce = time.Millisecond
	conf.Board.Inputs[2].Role = wiring.Beam
	w, err = ConfiguredWiring(conf.Board.Pins)(id)
	require.NoError(t, err)
	assert.Equal(t, &shot.Sensor{Index: 1, Name: "beam", Falling: true, Delay: 1004 * time.Microsecond}, w.Bench.Beam)
	assert.Nil(t, w.Bench.Microphone)

	id.Outputs = id.Outputs[:5]
	_, err = ConfiguredWiring(conf.Board.Pins)(id)
	assert.ErrorContains(t, err, "restart Stillwater")
}
