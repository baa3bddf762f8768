package bench

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/wire"
)

// What shines is not flashed more than three times a second.
func TestLatenessIsNoStrobe(t *testing.T) {
	assert.Less(t, time.Second/RestOf(wire.OutputFlash), time.Duration(3))
	assert.Less(t, time.Second/RestOf(wire.OutputLamp), time.Duration(3))
}
