package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"stillwater/firmware/image"
	"stillwater/internal/config"
	"stillwater/internal/render"
	"stillwater/internal/serialport"
	"stillwater/internal/textfile"
)

const flashUsage = `stillwater flash writes Stillwater's firmware to a board with an ATmega328P, by the program avrdude.
Disconnect flashes, valves and the camera first: pins may move while the chip is written.

`

// throughBoot names the protocol of the usual bootloader for avrdude, bootBauds the speeds at which they listen, the
// newer one first. Common practice, no source.
const throughBoot = "arduino"

var bootBauds = []int{115200, 57600}

// boardWithin is for avrdude to let go of the board when it is interrupted.
const boardWithin = 5 * time.Second

// flashOptions are the flags of "flash".
type flashOptions struct {
	port, image, config, programmer string
	baud                            int
	dry                             bool
}

func flashFlags() (*flashOptions, *flag.FlagSet) {
	o, flags := &flashOptions{}, flag.NewFlagSet("flash", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&o.port, "port", "", "serial `PORT` of the board (default: the configuration's, or the only one)")
	flags.StringVar(&o.image, "image", "", "firmware `FILE` in the Intel HEX format (default: the one in this program)")
	flags.StringVar(&o.config, "config", "", "configuration `FILE` (default: stillwater.toml in the usual places)")
	flags.StringVar(&o.programmer, "programmer", throughBoot, "as avrdude names it: the default is the board's own "+
		"bootloader; with another one the chip's bootloader is erased")
	flags.IntVar(&o.baud, "baud", 0, "speed of the bootloader (default: 115200, then 57600)")
	flags.BoolVar(&o.dry, "dry-run", false, "print what would be run, and do nothing")
	return o, flags
}

// flash puts firmware on a board.
func (m *Main) flash(ctx context.Context, args []string) error {
	o, flags := flashFlags()
	switch err := m.onlyFlags(flags, args, flashUsage, "", "; the file is named by --image"); {
	case err != nil:
		return err
	case o.baud < 0:
		return fmt.Errorf("%w: flash: --baud %d: give the bootloader's speed, such as 57600", errUsage, o.baud)
	}
	w, err := m.prepareFlash(o)
	if err != nil {
		return fmt.Errorf("flash: %w", err)
	}
	defer os.RemoveAll(w.folder)
	if o.dry {
		w.file = cmp.Or(o.image, "stillwater.hex")
		for _, baud := range w.bauds {
			fmt.Fprintln(m.Stdout, shellWords(append([]string{w.tool}, w.words(baud)...)))
		}
		return nil
	}
	if err := w.write(ctx, m); err != nil {
		return fmt.Errorf("flash: %w", err)
	}
	if err := w.verify(ctx, m); err != nil {
		return fmt.Errorf("flash: %w", err)
	}
	return nil
}

// writing is one image on its way to one board.
type writing struct {
	tool, programmer string
	board            config.Board
	port             string // "": the programmer is not on a serial port
	bauds            []int  // to try
	image            firmwareImage
	folder, file     string // with the image
}

// prepareFlash finds all that is needed and checks it, before anything is touched.
func (m *Main) prepareFlash(o *flashOptions) (w *writing, err error) {
	w = &writing{programmer: o.programmer, bauds: []int{o.baud}}
	text, from, err := imageText(o.image)
	if err != nil {
		return nil, err
	}
	if w.image, err = readImage(text); err != nil {
		return nil, fmt.Errorf("%s: %w: nothing was written", from, err)
	}
	if w.tool, err = exec.LookPath("avrdude"); err != nil {
		return nil, fmt.Errorf("this is done by the program avrdude, which is not installed: sudo apt install avrdude: %w",
			err)
	}
	cfg, err := config.Find(o.config)
	if err != nil && (o.config != "" || !errors.Is(err, config.ErrNotFound)) {
		return nil, err
	}
	if w.board = cfg.Board; w.board.Kind != config.Serial {
		w.board = config.Board{Kind: config.Serial, Baud: config.DefaultBaud}
	}
	if o.port != "" {
		w.board.Port = o.port
	}
	if w.throughBoot() {
		if w.port, err = portOf(w.board, ""); err != nil {
			return nil, fmt.Errorf("%w (--port PORT names one)", err)
		}
		if o.baud == 0 {
			w.bauds = bootBauds
		}
	} else {
		w.port = o.port
	}
	if w.folder, err = os.MkdirTemp("", "stillwater-flash-"); err != nil {
		return nil, err
	}
	w.file = filepath.Join(w.folder, "stillwater.hex")
	return w, os.WriteFile(w.file, text, 0o600)
}

// mostImage is more than an image of the whole chip takes with one byte in each record.
const mostImage = 1 << 20

// imageText is the file given, or what this program carries.
func imageText(path string) (text []byte, from string, err error) {
	if path != "" {
		text, err = textfile.Read(path, mostImage)
		if err == nil {
			text, err = textfile.Decode(text)
		}
		if err != nil {
			err = fmt.Errorf("--image %q: %s; name a firmware file in the Intel HEX format, or leave it out to write the "+
				"firmware in this program", path, cause(err))
		}
		return text, path, err
	}
	text, ok := image.Hex()
	if !ok {
		return nil, "", errors.New("this program was built without the firmware: take the package of a release, or build " +
			"the firmware (make -C firmware, which needs gcc-avr and avr-libc) and give it with --image " +
			"firmware/image/built/stillwater.hex")
	}
	return text, "the firmware in this program", nil
}

func (w *writing) throughBoot() bool { return w.programmer == throughBoot }

// words are what avrdude is told. A bootloader erases each page that it writes, and cannot erase itself.
func (w *writing) words(baud int) []string {
	words := []string{"-p", "m328p", "-c", w.programmer}
	if w.port != "" {
		words = append(words, "-P", w.port)
	}
	if baud > 0 {
		words = append(words, "-b", strconv.Itoa(baud))
	}
	if w.throughBoot() {
		words = append(words, "-D")
	}
	return append(words, "-U", "flash:w:"+w.file+":i")
}

// write runs avrdude at one speed after the other until one is the bootloader's. Meanwhile nobody else who asks gets
// the port.
func (w *writing) write(ctx context.Context, m *Main) (err error) {
	where := "the board"
	if w.throughBoot() {
		where = w.port
		release, err := serialport.Hold(w.port)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, release()) }()
	}
	fmt.Fprintf(m.Stdout, "Writing %s, %d bytes, to %s\n", w.image.Name, w.image.Bytes, where)
	var said string
	for _, baud := range w.bauds {
		if said, err = w.run(ctx, m, baud); err == nil || ctx.Err() != nil || !unheard(said) {
			break
		}
	}
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return fmt.Errorf("it was stopped, the firmware may be half written: run stillwater flash again: %w", ctx.Err())
	case unheard(said) && w.throughBoot():
		return fmt.Errorf("no bootloader answered on %s at %s baud; press the board's reset button just after starting "+
			"this, and look whether it is a board with an ATmega328P and a bootloader (a bare chip needs a programmer: "+
			"--programmer NAME). avrdude said:\n%s", w.port, numbers(w.bauds), lastLines(said))
	}
	return fmt.Errorf("avrdude failed (%w); run stillwater flash again. It said:\n%s", err, lastLines(said))
}

// run runs avrdude once. Its progress is shown to whoever looks.
func (w *writing) run(ctx context.Context, m *Main, baud int) (said string, err error) {
	var kept bytes.Buffer
	tool := exec.CommandContext(ctx, w.tool, w.words(baud)...)
	tool.Stdout, tool.Stderr = &kept, &kept
	if render.IsTerminal(m.Stderr) {
		both := io.MultiWriter(m.Stderr, &kept)
		tool.Stdout, tool.Stderr = both, both
	}
	tool.Cancel = func() error { return tool.Process.Signal(os.Interrupt) } // it lets go of the board by itself
	tool.WaitDelay = boardWithin
	err = tool.Run()
	return kept.String(), err
}

// unheard says whether avrdude found nobody to talk to. Its words, in versions 6 and 7.
func unheard(said string) bool {
	return strings.Contains(said, "getsync") &&
		(strings.Contains(said, "not in sync") || strings.Contains(said, "not responding"))
}

// verify asks the board what it is now.
func (w *writing) verify(ctx context.Context, m *Main) error {
	if !w.throughBoot() {
		fmt.Fprintln(m.Stdout, "Done. Plug the board in at its own port; stillwater check asks it what it is.")
		return nil
	}
	w.board.Port, w.board.Socket = w.port, ""
	facts, err := askSerial(ctx, config.Config{Board: w.board}, 0)
	if errors.Is(err, serialport.ErrBusy) { // a Stillwater that waited for a board with firmware
		fmt.Fprintf(m.Stdout, "Done. What runs on the board was not asked: %v\n", err)
		return nil
	}
	if err != nil {
		return fmt.Errorf("it was written, but the board does not answer: %w", err)
	}
	if got := facts.Identity.Firmware; got != w.image.Name {
		return fmt.Errorf("it was written, but the board says that it runs %s, not %s: run stillwater flash again", got,
			w.image.Name)
	}
	fmt.Fprintf(m.Stdout, "Done: the board says that it runs %s.\n", w.image.Name)
	return nil
}

func numbers(list []int) string {
	var words []string
	for _, n := range list {
		words = append(words, strconv.Itoa(n))
	}
	return strings.Join(words, " or ")
}

// lastLines are the last that were said, as far as they say something.
func lastLines(said string) string {
	const most = 6
	var lines []string
	for line := range strings.Lines(strings.ReplaceAll(said, "\r", "\n")) {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, "  "+line)
		}
	}
	return strings.Join(lines[max(0, len(lines)-most):], "\n")
}

// shellWords is a command as it is typed.
func shellWords(words []string) string {
	quoted := make([]string, len(words))
	for i, w := range words {
		quoted[i] = w
		if w == "" || strings.ContainsAny(w, " \t\"'\\$&;()<>|*?`#~") {
			quoted[i] = "'" + strings.ReplaceAll(w, "'", `'\''`) + "'"
		}
	}
	return strings.Join(quoted, " ")
}
