package serialboard

import (
	"testing"

	"stillwater/internal/board/boardtest"
	"stillwater/internal/serialboard/serialboardtest"
)

// A host in another language, made from the protocol's document alone, gets on with a board at a serial port.
func TestSecondHost(t *testing.T) {
	chip := serialboardtest.New(t)
	chip.Connect()
	boardtest.SecondHost(t, chip.Path, func(broken bool) { chip.Edge(serialboardtest.Gate, !broken) },
		func(broken bool) { chip.Edge(serialboardtest.Beam, !broken) })
}

// The example frames mean the same to it.
func TestSecondHostReadsTheExamples(t *testing.T) { boardtest.SecondHostReads(t) }
