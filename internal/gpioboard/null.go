package gpioboard

import (
	"fmt"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// nullMaxOn is the longest on-time of an output that is not there.
const nullMaxOn = 10 * time.Millisecond

// NullConfig is a board that has outputs but no pins: the same process and loop on the same thread, so that its timing
// can be measured where nothing may be switched.
func NullConfig(priority, cpu int) config.Board {
	b := config.Board{Kind: config.GPIO, Drive: config.Kernel, Priority: priority, CPU: cpu}
	for i := range wire.MaxPins {
		b.Outputs = append(b.Outputs, wiring.Output{Name: fmt.Sprintf("null %d", i+1), Kind: wire.OutputLamp,
			LongestOn: nullMaxOn})
	}
	return b
}

// NullPins is a board without lines: outputs switch nothing, inputs never change. Lateness is measured with it.
func NullPins() Pins {
	return Pins{
		OpenOutputs: func(_ config.Board, l *Lines) error { l.Outputs, l.Drive = nullLines{}, "none"; return nil },
		OpenInputs:  func(_ config.Board, l *Lines) error { l.Inputs = nullLines{}; return nil },
	}
}

// nullLines are lines that are not there.
type nullLines struct{}

func (nullLines) Len() int                        { return 0 }
func (nullLines) Fd(int) int                      { return -1 }
func (nullLines) Read(int, *gpiochip.Batch) error { return nil }
func (nullLines) Levels() (uint8, error)          { return 0, nil }
func (nullLines) Set(_, _ uint8) error            { return nil }
func (nullLines) Fds() []int                      { return nil }
func (nullLines) Close() error                    { return nil }
