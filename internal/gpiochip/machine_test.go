package gpiochip

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// headerHost is a machine with the 40-pin header, as its device tree and one kernel's lines would describe it.
func headerHost() Machine {
	soc := Chip{Path: "/dev/gpiochip0", Name: "gpiochip0", Label: "pinctrl-bcm2835", Lines: 54}
	expander := Chip{Path: "/dev/gpiochip1", Name: "gpiochip1", Label: "expander", Lines: 8}
	m := Machine{
		Host: HostOf("A board with a header", []string{"raspberrypi,3-model-b", "brcm,bcm2837"}, 0xa02082),
	}
	m.add(soc, func(n int) string {
		switch {
		case n == 9:
			return "SPI_MISO" // as one kernel calls it
		case n < 28:
			return fmt.Sprintf("GPIO%d", n)
		}
		return ""
	})
	m.add(expander, func(n int) string { return [8]string{"relay", "GPIO17", "", "lamp", "lamp", "", "", ""}[n] })
	return m
}

func (m *Machine) add(c Chip, name func(n int) string) {
	if m.Lines == nil {
		m.Lines = map[string][]LineInfo{}
	}
	m.Chips = append(m.Chips, c)
	for n := range c.Lines {
		m.Lines[c.Path] = append(m.Lines[c.Path], LineInfo{Chip: c, Number: n, Name: name(n)})
	}
}

// Positions, the header's names and the kernel's names find chip and line.
func TestPinsOfAHeader(t *testing.T) {
	m := headerHost()
	for pin, want := range map[string]string{
		"GPIO17": "gpiochip0 line 17 (GPIO17)", "P1_11": "gpiochip0 line 17 (GPIO17)", // though the expander has one too
		"P1_21": "gpiochip0 line 9 (SPI_MISO)", "GPIO9": "gpiochip0 line 9 (SPI_MISO)",
		"SPI_MISO": "gpiochip0 line 9 (SPI_MISO)", "P1_40": "gpiochip0 line 21 (GPIO21)", "relay": "gpiochip1 line 0 (relay)",
	} {
		l, err := m.FindPin(pin)
		if assert.NoError(t, err, pin) {
			assert.Equal(t, want, l.String(), pin)
		}
	}
	for pin, want := range map[string]string{
		"P1_1":  "pin P1_1: is a supply (3.3V), no line; ",
		"P1_41": "pin P1_41: no line is called that; give chip and line instead of pin",
		"lamp": "pin lamp: is on several chips; name one by chip and line: " +
			"[gpiochip1 line 3 (lamp) gpiochip1 line 4 (lamp)]",
		"V5": "pin V5: no line is called that",
	} {
		_, err := m.FindPin(pin)
		assert.ErrorContains(t, err, want)
	}
	m.Chips = m.Chips[1:]
	_, err := m.FindPin("GPIO17")
	assert.ErrorContains(t, err, "pin GPIO17: is on the header, but the header's chip is not here")
}

func TestChipsAndLines(t *testing.T) {
	m := headerHost()
	for _, name := range []string{"/dev/gpiochip1", "gpiochip1", "expander"} {
		l, err := m.FindLine(name, 3)
		require.NoError(t, err, name)
		assert.Equal(t, "gpiochip1 line 3 (lamp)", l.String())
	}
	_, err := m.FindLine("expander", 8)
	assert.EqualError(t, err, "gpiochip1 line 8: does not exist; /dev/gpiochip1 (expander) has lines 0 to 7")
	_, err = m.FindLine("lost", 0)
	assert.EqualError(t, err, "chip lost: is not here; chips here: /dev/gpiochip0 (pinctrl-bcm2835, 54 lines), "+
		"/dev/gpiochip1 (expander, 8 lines)")
	m.add(Chip{Path: "/dev/gpiochip2", Name: "gpiochip2", Label: "expander", Lines: 1}, func(int) string { return "" })
	_, err = m.FindLine("expander", 0)
	assert.ErrorContains(t, err, "chip expander: is the label of several chips; name one by its path: /dev/gpiochip1")
	_, err = Machine{}.FindLine("gpiochip0", 0)
	assert.ErrorContains(t, err, "chips here: none")
}

// A symbolic link to a chip's node finds that chip.
func TestLinkToAChip(t *testing.T) {
	dir := t.TempDir()
	node, link := filepath.Join(dir, "node"), filepath.Join(dir, "link")
	require.NoError(t, os.WriteFile(node, nil, 0o600))
	require.NoError(t, os.Symlink(node, link))
	var m Machine
	m.add(Chip{Path: node, Name: "gpiochip0", Lines: 1}, func(int) string { return "" })
	l, err := m.FindLine(link, 0)
	require.NoError(t, err)
	assert.Equal(t, node, l.Chip.Path)
}

// A chip that did not answer is the reason why something is not found, and none if it is.
func TestChipsThatDidNotAnswer(t *testing.T) {
	m := headerHost()
	m.Err = errors.New("/dev/gpiochip5 is closed to us")
	_, err := m.FindPin("P1_11")
	assert.NoError(t, err)
	for _, find := range []func() error{
		func() error { _, err := m.FindPin("elsewhere"); return err },
		func() error { _, err := m.FindLine("gpiochip5", 0); return err },
	} {
		assert.ErrorIs(t, find(), m.Err)
	}
}
