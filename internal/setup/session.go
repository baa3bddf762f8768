package setup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/render"
	"stillwater/internal/sentence"
)

// The file and the socket of the installed services.
const (
	ServiceFile   = "/etc/stillwater/stillwater.toml"
	ServiceSocket = "/run/stillwater/board.sock"
)

// Options say how a configuration is set up.
type Options struct {
	Path    string            // of the configuration; "": the one that is found, or a new one
	Given   map[string]string // answers by the part's name and "board", as they are typed
	Drawing string            // file for the drawing as SVG; "": none
	Yes     bool              // ask nothing: what is not given stays
	Dry     bool              // show, and write nothing
	NoTrial bool              // try nothing
}

// Machine is what a session needs of the machine that it runs on.
type Machine struct {
	Terminal *Terminal              // nil: there is nobody to ask
	Out      io.Writer              // for what is shown
	HasPin   func(name string) bool // nil: only the header's pins are known
	HasPort  func() bool            // what may be a timing board is plugged in; nil: nothing is
	Check    func(ctx context.Context, path string) Checked
	Running  func(ctx context.Context, listen string) bool // Stillwater is, and has the pins
	Dial     func(ctx context.Context, conf config.Config) (Board, error)
	Service  func(ctx context.Context, verb string) error // "stop" or "start" of the installed services
}

// Checked is the result of a check.
type Checked interface {
	Write(w io.Writer) error
	Stopped() bool // Stillwater would not run
}

// Report is what was answered, what was written for it, and what checks and trials found.
type Report struct {
	File    string   `json:"file"`
	Written bool     `json:"written"`
	Backup  string   `json:"backup"` // the file as it was before; "" if there was none or nothing changed
	Changes []string `json:"changes"`
	Wiring
	Check  Checked `json:"check"` // nil if nothing was written
	Trials []Trial `json:"trials"`
}

// ErrNobody means that there is nobody to ask and nothing was answered.
var ErrNobody = errors.New("there is no terminal to ask at: give the answers as flags, as in --board gpio --beam yes " +
	"--flash1 yes --kill yes; stillwater setup -h lists them")

// Run asks what is not given, shows the wiring, writes the file if it is wanted, checks it and has it tried.
func Run(ctx context.Context, o Options, m Machine) (Report, error) {
	r := Report{File: fileOf(o.Path), Changes: []string{}, Trials: []Trial{}}
	if m.Terminal == nil && len(o.Given) == 0 && !o.Dry {
		return r, ErrNobody
	}
	before, have, err := start(r.File)
	if err != nil {
		return r, err
	}
	asks := m.Terminal != nil && !o.Yes
	var want Answers
	if asks {
		m.Terminal.Say("This is about %s. Nothing is written before you say so.\n", render.Printable(r.File))
		want, err = m.Terminal.Interview(ctx, have, m.offer(), o.Given, m.HasPin)
	} else {
		want, err = Merge(have, o.Given, m.HasPin)
	}
	if err != nil {
		return r, err
	}
	after, err := r.plan(before, want)
	if err != nil {
		return r, err
	}
	if err := r.show(m.Out, o.Drawing); err != nil || o.Dry {
		return r, err
	}
	if asks && (len(r.Changes) > 0 || before == nil) {
		yes, err := m.Terminal.Confirm(ctx, "Write this to "+render.Printable(r.File), true)
		if err != nil || !yes {
			return r, err
		}
	}
	if r.Backup, err = Write(r.File, before, after); err != nil {
		return r, permission(err)
	}
	r.Written = len(r.Changes) > 0 || before == nil
	r.sayWritten(m.Out)
	if r.Check = m.Check(ctx, r.File); m.Out != io.Discard {
		fmt.Fprintln(m.Out)
		if err := r.Check.Write(m.Out); err != nil {
			return r, err
		}
	}
	try := asks && !o.NoTrial
	if try && r.Check.Stopped() {
		try = false
		m.Terminal.Say("Nothing can be tried until the problems above are fixed: fix them, and run setup again.")
	}
	return r, r.finish(ctx, try, m)
}

// offer is the kind of board that this machine most likely has: the 40-pin header, or what is plugged in.
func (m Machine) offer() config.Kind {
	if m.HasPort != nil && m.HasPort() && (m.HasPin == nil || !m.HasPin(Parts()[0].Pin)) {
		return config.Serial
	}
	return config.GPIO
}

// fileOf is the file that a session is about.
func fileOf(path string) string {
	if path != "" {
		return path
	}
	for _, at := range config.Places() {
		if _, err := os.Lstat(at); err == nil {
			return at
		}
	}
	if _, err := os.Stat(filepath.Dir(ServiceFile)); err == nil {
		return ServiceFile
	}
	return config.Places()[0]
}

// start reads the present configuration, or a blank one if there is none.
func start(path string) (text []byte, have Answers, err error) {
	if text, err = Read(path); err != nil {
		return nil, have, permission(err)
	}
	conf, err := config.Parse(path, withBoard(text))
	if err != nil {
		return nil, have, fmt.Errorf("the existing configuration has errors and cannot be changed; correct it, or move it "+
			"away to have a new one written: %w", err)
	}
	return text, AnswersOf(conf.Board), nil
}

// withBoard is a configuration's text, with the simulated board where it names none: what has the pins is the first
// thing that is asked. Without a file it is Blank.
func withBoard(text []byte) []byte {
	if text == nil {
		return []byte(Blank)
	}
	named := func(p config.Passage) bool { return p.Name == "board" || strings.HasPrefix(p.Name, "board.") }
	plain := bytes.TrimPrefix(text, []byte(mark))
	if slices.ContainsFunc(config.Passages(plain), named) {
		return text
	}
	e := &editor{text: string(text), nl: "\n"}
	if strings.Contains(e.text, "\r\n") {
		e.nl = "\r\n"
	}
	e.append("[board]\nkind = \"simulated\"\n")
	return []byte(e.text)
}

// plan works out the new text and fills in what it means.
func (r *Report) plan(before []byte, want Answers) ([]byte, error) {
	socket := ""
	if r.File == ServiceFile {
		socket = ServiceSocket
	}
	after, changes, err := Edit(r.File, withBoard(before), want, socket)
	if err != nil {
		return nil, err
	}
	r.Changes = append(r.Changes, changes...)
	r.Wiring = WiringOf(want)
	return after, nil
}

// show shows the wiring as a drawing and as a list.
func (r *Report) show(out io.Writer, drawing string) error {
	if drawing != "" {
		if err := os.WriteFile(drawing, []byte(r.SVG()), 0o644); err != nil {
			return fmt.Errorf("the drawing: %w; name a file in a folder that is yours with --drawing", err)
		}
	}
	if picture := r.Text(); picture != "" {
		fmt.Fprintf(out, "\n%s\n", picture)
		heading, rows := r.Rows()
		if err := render.Table(out, heading, rows); err != nil {
			return err
		}
	}
	fmt.Fprintln(out)
	for _, note := range r.Notes {
		fmt.Fprintf(out, "- %s\n", sentence.From(note))
	}
	if drawing != "" {
		fmt.Fprintf(out, "- The drawing is in %s.\n", render.Printable(drawing))
	}
	fmt.Fprintln(out)
	for _, change := range r.Changes {
		fmt.Fprintf(out, "Changes  %s\n", render.Printable(change))
	}
	return nil
}

// sayWritten says what was written.
func (r *Report) sayWritten(out io.Writer) {
	switch {
	case !r.Written:
		fmt.Fprintf(out, "No change is needed: %s already says so.\n", render.Printable(r.File))
	case r.Backup != "":
		fmt.Fprintf(out, "Written. What was there before is in %s.\n", render.Printable(r.Backup))
	default:
		fmt.Fprintln(out, "Written.")
	}
}

// finish has everything tried, and says how Stillwater takes it up.
func (r *Report) finish(ctx context.Context, try bool, m Machine) error {
	conf, err := config.Load(r.File)
	if err != nil {
		return err
	}
	return r.trial(ctx, conf, try, m)
}

func (r *Report) trial(ctx context.Context, conf config.Config, try bool, m Machine) (err error) {
	running := m.Running(ctx, conf.Listen)
	installed := running && r.File == ServiceFile
	if try = try && conf.Board.Kind != config.Simulated && (installed || !running); try {
		question := "\nTry it now, sensor by sensor"
		if running {
			question += "; Stillwater is stopped for that, and started again"
		}
		if try, err = m.Terminal.Confirm(ctx, question, true); err != nil {
			return err
		}
	}
	if !try {
		if running {
			fmt.Fprintln(m.Out, "Stillwater is running with the settings it started with, and holds the pins. It uses the "+
				"new ones\nafter a restart: sudo systemctl restart stillwater, or stop it and start it as you did.")
		}
		return nil
	}
	if installed {
		if err := m.Service(ctx, "stop"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, m.Service(context.WithoutCancel(ctx), "start")) }()
	}
	return r.try(ctx, conf, m)
}

// try dials the board for a trial. Failing to reach it is not a failure of the setup.
func (r *Report) try(ctx context.Context, conf config.Config, m Machine) error {
	b, err := m.Dial(ctx, conf)
	if err != nil {
		m.Terminal.Say("Nothing can be tried: %v", err)
		return nil
	}
	trials, err := m.Terminal.Try(ctx, b)
	r.Trials = append(r.Trials, trials...)
	err = errors.Join(err, b.Close())
	if err == nil {
		m.Terminal.Say("\n%s", worked(trials))
	}
	return err
}

// permission adds what to do where the system forbids.
func permission(err error) error {
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("%w: nothing was written; run it as the file's owner: sudo stillwater setup", err)
	}
	return err
}
