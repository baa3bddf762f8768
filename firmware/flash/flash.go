// Package flash writes firmware to a board with an ATmega328P, by the program avrdude.
package flash

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"stillwater/internal/serialport"
)

// Bootloader is avrdude's name for the protocol of the usual bootloader. Common practice, no source.
const Bootloader = "arduino"

// bootBauds are the speeds at which bootloaders listen, the newer one first. Common practice, no source.
var bootBauds = []int{115200, 57600}

// releaseTimeout is how long avrdude has to let go of the board after an interrupt.
const releaseTimeout = 5 * time.Second

// Options say what to write and how.
type Options struct {
	Image      []byte // Intel HEX, checked: see image.Parse
	Programmer string // as avrdude names it
	Port       string // "": the programmer is not on a serial port
	Baud       int    // of the bootloader; 0: the usual ones
}

// Job writes one image to one board.
type Job struct {
	options      Options
	tool         string
	bauds        []int // to try
	folder, file string
}

// New finds avrdude and copies the image, before anything is touched. The job must be closed.
func New(o Options) (*Job, error) {
	j := &Job{options: o, bauds: []int{o.Baud}}
	var err error
	if j.tool, err = exec.LookPath("avrdude"); err != nil {
		return nil, fmt.Errorf("this is done by the program avrdude, which is not installed: sudo apt install avrdude: %w",
			err)
	}
	if j.bootloader() && o.Baud == 0 {
		j.bauds = bootBauds
	}
	if j.folder, err = os.MkdirTemp("", "stillwater-flash-"); err != nil {
		return nil, err
	}
	j.file = filepath.Join(j.folder, "stillwater.hex")
	return j, os.WriteFile(j.file, o.Image, 0o600)
}

// Close removes the copy of the image.
func (j *Job) Close() error { return os.RemoveAll(j.folder) }

// bootloader reports whether the board's own bootloader writes, and no programmer.
func (j *Job) bootloader() bool { return j.options.Programmer == Bootloader }

// Commands are the command lines that Write would try, one after the other, with file in place of the copy of the
// image.
func (j *Job) Commands(file string) (list [][]string) {
	for _, baud := range j.bauds {
		list = append(list, append([]string{j.tool}, j.arguments(baud, file)...))
	}
	return list
}

// arguments are avrdude's. A bootloader erases each page that it writes, and cannot erase itself.
func (j *Job) arguments(baud int, file string) []string {
	args := []string{"-p", "m328p", "-c", j.options.Programmer}
	if j.options.Port != "" {
		args = append(args, "-P", j.options.Port)
	}
	if baud > 0 {
		args = append(args, "-b", strconv.Itoa(baud))
	}
	if j.bootloader() {
		args = append(args, "-D")
	}
	return append(args, "-U", "flash:w:"+file+":i")
}

// Lock reserves the bootloader's port: until it is released no other Stillwater opens it.
func (j *Job) Lock() (release func() error, err error) {
	if !j.bootloader() {
		return func() error { return nil }, nil
	}
	return serialport.Lock(j.options.Port)
}

// Write runs avrdude at one speed after the other until one is the bootloader's. progress gets what avrdude prints;
// nil: nobody looks.
func (j *Job) Write(ctx context.Context, progress io.Writer) (err error) {
	var printed string
	for _, baud := range j.bauds {
		printed, err = j.run(ctx, baud, progress)
		if err == nil || ctx.Err() != nil || !noAnswer(printed) {
			break
		}
	}
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return fmt.Errorf("it was stopped, the firmware may be half written: run stillwater flash again: %w", ctx.Err())
	case noAnswer(printed) && j.bootloader():
		return fmt.Errorf("no bootloader answered on %s at %s baud; press the board's reset button just after starting "+
			"this, and look whether it is a board with an ATmega328P and a bootloader (a bare chip needs a programmer: "+
			"--programmer NAME). avrdude said:\n%s", j.options.Port, join(j.bauds), lastLines(printed))
	}
	return fmt.Errorf("avrdude failed (%w); run stillwater flash again. It said:\n%s", err, lastLines(printed))
}

// run runs avrdude once.
func (j *Job) run(ctx context.Context, baud int, progress io.Writer) (printed string, err error) {
	var kept bytes.Buffer
	tool := exec.CommandContext(ctx, j.tool, j.arguments(baud, j.file)...)
	tool.Stdout, tool.Stderr = &kept, &kept
	if progress != nil {
		both := io.MultiWriter(progress, &kept)
		tool.Stdout, tool.Stderr = both, both
	}
	tool.Cancel = func() error { return tool.Process.Signal(os.Interrupt) } // it releases the board by itself
	tool.WaitDelay = releaseTimeout
	err = tool.Run()
	return kept.String(), err
}

// noAnswer reports whether avrdude reached nothing, by what versions 6 and 7 print.
func noAnswer(printed string) bool {
	return strings.Contains(printed, "getsync") &&
		(strings.Contains(printed, "not in sync") || strings.Contains(printed, "not responding"))
}

func join(bauds []int) string {
	var words []string
	for _, n := range bauds {
		words = append(words, strconv.Itoa(n))
	}
	return strings.Join(words, " or ")
}

// lastLines are the last lines that are not empty.
func lastLines(printed string) string {
	const most = 6
	var lines []string
	for line := range strings.Lines(strings.ReplaceAll(printed, "\r", "\n")) {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, "  "+line)
		}
	}
	return strings.Join(lines[max(0, len(lines)-most):], "\n")
}
