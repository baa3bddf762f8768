package control

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/shot"
)

// The beams of a throw are put where they belong by one command, with the shutter as that needs it: the set works, and
// nothing better is known then.
func TestPlaces(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		assert.Empty(t, x.Snapshot().Preview.Places, "a drop has none")
		assert.Contains(t, x.refused(me, Command{Type: "places"}).Why, "No better places are known")
		x.throwsFromAfar()
		x.must(me, Command{Type: "set", Field: "light.shutter", Value: "edge"})
		before := x.Snapshot()
		assert.Contains(t, before.Preview.Places, "of 100 throws would be within 15 mm of it")
		x.arm(1)
		assert.Contains(t, x.refused(me, Command{Type: "places"}).Why, "cannot change while armed")
		x.must(me, Command{Type: "disarm"})
		x.must(me, Command{Type: "places"})
		s := x.Snapshot()
		assert.Nil(t, s.Refusal)
		assert.Less(t, s.Set.Throw.ToFocus, before.Set.Throw.ToFocus)
		assert.Equal(t, shot.ByGo, s.Set.ShutterBy())
		assert.Equal(t, shot.ByEdgeOrGo, s.Set.Light.Shutter, "other kinds open it after the edge as before")
		assert.Empty(t, s.Preview.Places)
	})
}
