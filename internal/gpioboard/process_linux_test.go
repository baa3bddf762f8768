package gpioboard

import (
	"fmt"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"golang.org/x/sys/unix"

	"stillwater/internal/config"
)

// The outputs may for a moment be those of the watchdog of the process before. Whoever else has them is not waited for
// without end.
func TestRunWaitsForTheWatchdogBefore(t *testing.T) {
	for name, free := range map[string]int{"soon free": 3, "never": 1 << 30} {
		t.Run(name, func(t *testing.T) {
			if name == "never" {
				t.Parallel() // it takes its time
			}
			tries := 0
			err := Run(t.Context(), Options{Sum: "another", Config: config.Config{Path: "x"}, Getenv: os.Getenv, Pins: Pins{
				OpenOutputs: func(_ config.Board, l *Lines) error {
					l.Outputs = nullLines{}
					if tries++; tries < free {
						return fmt.Errorf("outputs: in use: %w", unix.EBUSY)
					}
					return nil
				},
			}})
			if name == "never" {
				assert.ErrorIs(t, err, unix.EBUSY)
				assert.Greater(t, tries, 10)
				return
			}
			assert.ErrorContains(t, err, "was changed since the daemon read it", "it came further")
			assert.Equal(t, free, tries)
		})
	}
}

// Any other error of the outputs ends the process at once.
func TestRunWithoutOutputs(t *testing.T) {
	tries := 0
	err := Run(t.Context(), Options{Getenv: os.Getenv, Pins: Pins{
		OpenOutputs: func(config.Board, *Lines) error { tries++; return fmt.Errorf("outputs: %w", unix.EACCES) },
	}})
	assert.ErrorIs(t, err, unix.EACCES)
	assert.Equal(t, 1, tries)
}
