//go:build guest

package guest

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stillwater/internal/gpiochip"
)

// chip is one chip made with the kernel's gpio-sim: its lines have pulls that a test sets, and values it reads.
// Source: kernel documentation, "Configfs GPIO Simulator".
type chip struct {
	t     *testing.T
	dir   string // in configfs
	sysfs string
	name  string // "gpiochip1"
	path  string // "/dev/gpiochip1"
	gone  bool
	base  int // of its line numbers in the kernel's record
}

// newChip makes a chip with lines called name-0, name-1, ...
func newChip(t *testing.T, name string, lines int) *chip {
	t.Helper()
	c := &chip{t: t, dir: "/sys/kernel/config/gpio-sim/" + name}
	bank := c.dir + "/bank0"
	c.must(os.MkdirAll(bank, 0o755))
	writeFile(t, bank+"/num_lines", fmt.Sprint(lines))
	writeFile(t, bank+"/label", name)
	for i := range lines {
		line := fmt.Sprintf("%s/line%d", bank, i)
		c.must(os.Mkdir(line, 0o755))
		writeFile(t, line+"/name", fmt.Sprintf("%s-%d", name, i))
	}
	writeFile(t, c.dir+"/live", "1")
	c.name = readFile(t, bank+"/chip_name")
	c.path = "/dev/" + c.name
	c.sysfs = filepath.Join("/sys/devices/platform", readFile(t, c.dir+"/dev_name"), c.name)
	t.Cleanup(c.remove)
	c.base = c.findBase()
	return c
}

// line finds a line of the chip.
func (c *chip) line(number int) gpiochip.LineInfo {
	c.t.Helper()
	l, err := gpiochip.Inspect().FindLine(c.path, number)
	c.must(err)
	return l
}

func (c *chip) must(err error) {
	c.t.Helper()
	require.NoError(c.t, err)
}

// remove takes the chip away; doing it again is no error.
func (c *chip) remove() {
	if c.gone {
		return
	}
	c.gone = true
	writeFile(c.t, c.dir+"/live", "0")
	lines, err := filepath.Glob(c.dir + "/bank0/line*")
	c.must(err)
	for _, dir := range append(lines, c.dir+"/bank0", c.dir) {
		c.must(os.Remove(dir))
	}
}

func (c *chip) attribute(line int, name string) string {
	return fmt.Sprintf("%s/sim_gpio%d/%s", c.sysfs, line, name)
}

// pull sets the level of a line from outside.
func (c *chip) pull(line int, high bool) {
	c.t.Helper()
	word := "pull-down"
	if high {
		word = "pull-up"
	}
	writeFile(c.t, c.attribute(line, "pull"), word)
}

// value is the level of a line.
func (c *chip) value(line int) bool {
	c.t.Helper()
	return readFile(c.t, c.attribute(line, "value")) == "1"
}

func writeFile(t *testing.T, path, text string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_TRUNC, 0)
	require.NoError(t, err)
	defer f.Close()
	_, err = f.WriteString(text)
	require.NoError(t, err, "%s > %s", text, path)
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return strings.TrimSpace(string(b))
}
