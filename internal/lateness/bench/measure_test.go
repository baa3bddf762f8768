package bench

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/rig"
)

// A board that was armed and is not when the next pulse is due disarmed by itself: the error says why, and what helps.
func TestTheBoardDisarmedBetweenPulses(t *testing.T) {
	simulated, err := rig.New(rig.Options{})
	require.NoError(t, err)
	defer simulated.Close()
	client, err := board.Dial(t.Context(), simulated.Link(), board.Options{InProcess: true})
	require.NoError(t, err)
	defer client.Close()
	b := &Bench{Client: client, Output: NoPin, Input: NoPin}
	require.NoError(t, b.arm(t.Context(), b.program(), 2))
	require.NoError(t, client.Disarm(t.Context()))
	_, _, err = b.fire(t.Context())
	assert.ErrorContains(t, err, "it disarmed by itself between two pulses")
	assert.ErrorContains(t, err, "give this machine less to do")
}
