package gpioboardtest

import "stillwater/internal/gpiochip"

// HeaderMachine is a computer with the 40-pin header on its first chip, an expander with four lines, and who holds
// which line of the first.
func HeaderMachine(held map[int]string) gpiochip.Machine {
	soc := gpiochip.Chip{Path: "/dev/gpiochip0", Name: "gpiochip0", Label: "pinctrl-bcm2835", Lines: 54}
	expander := gpiochip.Chip{Path: "/dev/gpiochip1", Name: "gpiochip1", Label: "expander", Lines: 4}
	m := gpiochip.Machine{
		Host:  gpiochip.HostOf("A board with a header", []string{"raspberrypi,3-model-b", "brcm,bcm2837"}, 0xa02082),
		Chips: []gpiochip.Chip{soc, expander},
		Lines: map[string][]gpiochip.LineInfo{},
	}
	for _, c := range m.Chips {
		for n := range c.Lines {
			m.Lines[c.Path] = append(m.Lines[c.Path], gpiochip.LineInfo{Chip: c, Number: n})
		}
	}
	for n, by := range held {
		m.Lines[soc.Path][n].Used, m.Lines[soc.Path][n].Consumer = true, by
	}
	return m
}
