package main

import (
	"context"
	"fmt"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
	"stillwater/internal/realtime"
	"stillwater/internal/spawn"
	"stillwater/internal/wire"
)

// nullOutputs is how many outputs a board without pins has.
const nullOutputs = wire.MaxPins

// nullLongestOn is the longest on-time of an output that is not there.
const nullLongestOn = 10 * time.Millisecond

// nullBoard runs the board process with nothing at its pins: the same loop on the same thread, so that its timing can
// be measured where nothing may be switched.
func (m *Main) nullBoard(ctx context.Context, priority, cpu int) error {
	if _, err := realtime.NewLink(spawn.LinkFD); err != nil {
		return fmt.Errorf("board: stillwater lateness starts this with a link to itself: %w", err)
	}
	return m.runBoard(ctx, &boardFlags{}, config.Config{Board: nullConfig(priority, cpu)}, nullPins())
}

func nullConfig(priority, cpu int) config.Board {
	b := config.Board{Kind: config.GPIO, Drive: config.Kernel, Priority: priority, CPU: cpu}
	for i := range nullOutputs {
		b.Outputs = append(b.Outputs, config.Output{Name: fmt.Sprintf("null %d", i+1), Kind: wire.OutputLamp,
			LongestOn: nullLongestOn})
	}
	return b
}

func nullPins() pinAccess {
	return pinAccess{
		outputs: func(_ config.Board, l *lines) error { l.outputs = nowhere{}; return nil },
		inputs:  func(_ config.Board, l *lines) error { l.inputs = nowhere{}; return nil },
	}
}

// nowhere is pins that are not there.
type nowhere struct{}

func (nowhere) Len() int                        { return 0 }
func (nowhere) Fd(int) int                      { return -1 }
func (nowhere) Read(int, *gpiochip.Batch) error { return nil }
func (nowhere) Levels() (uint8, error)          { return 0, nil }
func (nowhere) Set(_, _ uint8) error            { return nil }
func (nowhere) Fds() []int                      { return nil }
func (nowhere) Close() error                    { return nil }
