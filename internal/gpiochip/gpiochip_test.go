package gpiochip

import (
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestGroupByChip(t *testing.T) {
	a, b := Chip{Path: "/dev/gpiochip0", Name: "gpiochip0"}, Chip{Path: "/dev/gpiochip1", Name: "gpiochip1"}
	groups, err := groupByChip([]LineInfo{{Chip: b, Number: 4}, {Chip: a, Number: 4}, {Chip: b, Number: 5}})
	require.NoError(t, err)
	assert.Equal(t, [][]int{{0, 2}, {1}}, groups)

	_, err = groupByChip([]LineInfo{{Chip: a, Number: 4}, {Chip: b, Number: 4}, {Chip: a, Number: 4, Name: "GPIO4"}})
	assert.EqualError(t, err, "gpiochip0 line 4 (GPIO4): is given twice, as number 1 and 3; "+
		"give each input and output a line of its own")

	_, err = groupByChip(make([]LineInfo, MaxLines+1))
	assert.ErrorContains(t, err, "at most 8")
}

func TestErrorKeepsTheErrno(t *testing.T) {
	err := error(&Error{Where: "gpiochip0 line 4", What: `is in use by "lamp"`, Remedy: "stop what holds it",
		Err: syscall.EBUSY})
	assert.ErrorIs(t, err, syscall.EBUSY)
	assert.EqualError(t, err, `gpiochip0 line 4: is in use by "lamp": device or resource busy; stop what holds it`)
}
