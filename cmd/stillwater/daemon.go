package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"os/signal"
	"syscall"

	"stillwater/internal/board"
	"stillwater/internal/care"
	"stillwater/internal/commandline"
	"stillwater/internal/config"
	"stillwater/internal/control"
	"stillwater/internal/intake"
	"stillwater/internal/journal"
	"stillwater/internal/page"
	"stillwater/internal/pairing"
	"stillwater/internal/practice"
	"stillwater/internal/realtime"
	"stillwater/internal/rig"
	"stillwater/internal/scene"
	"stillwater/internal/spawn"
	"stillwater/web"
)

// daemonFlags are the daemon's flags as given; empty ones leave the configuration's value.
type daemonFlags struct {
	listen, config, journal, room, keepCode, country string
	seed                                             uint64
	name                                             *string // nil: not given
	forget, version                                  bool
	sources                                          intake.Sources
}

func daemonFlagSet() (*flag.FlagSet, *daemonFlags) {
	flags, f := flag.NewFlagSet("stillwater", flag.ContinueOnError), &daemonFlags{}
	flags.SetOutput(io.Discard)
	flags.StringVar(&f.listen, "listen", "", "serve the page at `ADDRESS`, host:port; :8737 opens it to the network")
	flags.StringVar(&f.config, "config", "", "configuration `FILE` (default: stillwater.toml in the usual places)")
	flags.StringVar(&f.journal, "journal", "", "journal `FILE` (default: in the user's state folder)")
	flags.Uint64Var(&f.seed, "seed", 0, "`NUMBER` that seeds the simulated room (0: another each time)")
	flags.StringVar(&f.room, "room", "", "simulated `ROOM` to practise in, from easy to hard: still, kitchen or squall")
	flags.Func("name", "the page is found as `NAME`.local on the network (default stillwater; empty: not announced)",
		func(name string) error { f.name = &name; return nil })
	flags.StringVar(&f.keepCode, "keep-code", "",
		"`FILE` that keeps the pairing code for the next start (default: a new code)")
	flags.StringVar(&f.country, "country-file", "",
		"`FILE` for the country of this machine's Wi-Fi, which the page then asks for")
	f.sources.SetFlags(flags)
	flags.BoolVar(&f.forget, "forget-phones", false, "forget all paired phones: each must pair again")
	flags.BoolVar(&f.version, "version", false, "print the version and exit")
	return flags, f
}

func (m *Main) parseDaemon(args []string) (daemonFlags, error) {
	flags, f := daemonFlagSet()
	if err := commandline.Parse(flags, args); err != nil {
		return *f, err
	}
	if flags.NArg() > 0 {
		return *f, fmt.Errorf("%w: there is no command %q; see stillwater help", errUsage, flags.Arg(0))
	}
	if f.listen != "" {
		if _, _, err := net.SplitHostPort(f.listen); err != nil {
			return *f, fmt.Errorf("%w: --listen %q is not host:port; write it like 127.0.0.1:8737 or :8737", errUsage, f.listen)
		}
	}
	return *f, nil
}

// daemon runs the page, the journal and the board until the context ends. Stopping disarms first.
func (m *Main) daemon(ctx context.Context, args []string) (err error) {
	f, err := m.parseDaemon(args)
	if errors.Is(err, flag.ErrHelp) {
		return m.help(ctx, nil)
	}
	if err != nil {
		return err
	}
	if f.version {
		fmt.Fprintln(m.Stdout, "stillwater", version())
		return nil
	}
	// Whoever reads what it says may be gone first, at the same Ctrl-C: it still has to disarm and to close the record.
	signal.Ignore(syscall.SIGPIPE)
	defer func() {
		if ctx.Err() != nil && errors.Is(err, context.Canceled) {
			err = nil // stopped while it was starting
		}
	}()
	conf, err := config.Find(f.config)
	if err != nil && !errors.Is(err, config.ErrNotFound) {
		return err
	}
	name, err := f.pageName(conf.Name)
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(m.Stderr, nil))
	if f.sources, err = f.sources.Or(conf.Camera.Folder, conf.Camera.Port, log); err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	return m.serve(ctx, conf, f, name, log)
}

// serve runs what a daemon is made of, until the context ends.
func (m *Main) serve(
	ctx context.Context, conf config.Config, f daemonFlags, name string, log *slog.Logger,
) (err error) {
	listener, err := page.Listen(cmp.Or(f.listen, conf.Listen))
	if err != nil {
		return err
	}
	defer listener.Close()
	record, err := m.openJournal(ctx, cmp.Or(f.journal, conf.Journal), log)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, record.Close()) }()
	opts, release, err := m.controlOptions(conf, f, log)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, release()) }()
	camera := intake.New(intake.Options{Dir: record.Path() + "-frames", Journal: record, Yield: realtime.Yield, Log: log})
	opts.Journal, opts.Log, opts.Camera = record, log, camera
	c, err := control.New(ctx, opts)
	if err != nil {
		return err
	}
	record.OnChange(camera.Changed)
	record.OnRescue(func(words string) { log.Warn(words); c.ShowNotice(words) })
	defer record.VerifyAside(ctx, realtime.Yield, func(err error) {
		log.Error("the record is damaged", "err", err)
		c.ShowNotice("the record takes no more shots: " + err.Error())
	})()
	defer camera.Start(ctx, c)()
	defer camera.Watch(ctx, f.sources)()
	if f.forget {
		if err := record.ForgetPhones(ctx); err != nil {
			return err
		}
	}
	pictures, closeGallery := gallery(opts.Room, c)
	defer closeGallery()
	p, closePage, err := m.openPage(ctx, conf, listener.Addr(), name, f.keepCode, page.Options{
		Control: c, Files: web.Files, Names: page.MachineNames(name), Version: version(), Log: log, Phones: record,
		Record: record.Reader(), Frames: pictures, Camera: camera, CountryFile: f.country,
	})
	if err != nil {
		return err
	}
	defer closePage()
	defer m.notifyManager(ctx, listener.Addr(), log)()
	return runBoth(ctx, c, p, listener)
}

// openPage makes the page's server and says where it is and what its code is, now and whenever that changes. Call done
// when it is no longer served.
func (m *Main) openPage(
	ctx context.Context, conf config.Config, at net.Addr, name, keepCode string, opts page.Options,
) (p *page.Server, done func(), err error) {
	listening, err := netip.ParseAddrPort(at.String())
	if err != nil {
		return nil, nil, fmt.Errorf("the page's address: %w", err)
	}
	published := pairing.NewPublisher(m.Getenv, pairing.Invitation{Listening: listening, Name: name}, opts.Log)
	opts.Service, opts.Code = published.Published(), published.Keep(keepCode)
	opts.CodeChanged = func(c page.CodeChange) { m.showChange(c, published.SetCode(c.Code)) }
	if p, err = page.New(ctx, opts); err != nil {
		return nil, nil, err
	}
	m.announce(conf, pairing.Invitation{Listening: listening, Code: p.Code()})
	published.SetCode(p.Code())
	closeSocket := pairing.Serve(ctx, m.Getenv, p, opts.Log)
	named, unname := context.WithCancel(ctx)
	goodbye := m.announceName(named, name, listening, opts.Log, func(found string) {
		p.SetName(found)
		published.SetName(found)
	})
	return p, func() { unname(); goodbye(); closeSocket() }, nil
}

// showChange shows another code.
func (m *Main) showChange(change page.CodeChange, in pairing.Invitation) {
	why := "There is a new pairing code, as requested."
	if change.Guessed {
		why = "Somebody typed many wrong pairing codes. The old code is void; the new one is too long to guess."
	}
	fmt.Fprintf(m.Stdout, "\n%s\n\n  pairing code  %s\n\n", why, change.Code)
	in.DrawQR(m.Stdout, cameraWords)
}

const cameraWords = "Point the phone's camera here to open the page and pair:"

// runBoth runs control and page. The control stops first, so that the phones see how it ended.
func runBoth(ctx context.Context, c *control.Control, p *page.Server, listener net.Listener) error {
	controlled, stopControl := context.WithCancel(ctx)
	defer stopControl()
	served, stopPage := context.WithCancel(context.WithoutCancel(ctx))
	defer stopPage()
	ended := make(chan error, 1)
	go func() {
		ended <- c.Run(controlled)
		stopPage()
	}()
	err := p.Serve(served, listener)
	stopControl()
	return errors.Join(err, <-ended)
}

// controlOptions are the control's for the board of the configuration. Call release when they are not used any more.
func (m *Main) controlOptions(
	conf config.Config, f daemonFlags, log *slog.Logger,
) (opts control.Options, release func() error, err error) {
	if f.room != "" && conf.Board.Kind != config.Simulated {
		return opts, nil, fmt.Errorf("%w: --room works only with the simulated board, and this one is %s: leave it out",
			errUsage, conf.Board.Kind)
	}
	opts = control.Options{Kind: string(conf.Board.Kind), Grace: conf.Control.Grace, ArmFor: conf.Control.ArmFor}
	if conf.Board.Kind == config.GPIO {
		opts.Name = "Linux GPIO"
		opts.Wire = control.ConfiguredWiring(conf.Board.Pins)
		opts.Dial = func(ctx context.Context) (control.Device, error) {
			link, err := m.reachBoard(ctx, conf)
			if err != nil {
				return nil, err
			}
			return dialBoard(ctx, link, board.Options{Log: log})
		}
		return opts, func() error { return nil }, nil
	}
	if conf.Board.Kind == config.Serial {
		m.onSerial(&opts, conf, log)
		return opts, func() error { return nil }, nil
	}
	seed := f.seed
	if seed == 0 {
		seed = rig.RandomSeed()
	}
	preset, err := scene.PresetNamed(cmp.Or(f.room, conf.Room))
	if err != nil {
		return opts, nil, fmt.Errorf("%w: --room: %w", errUsage, err)
	}
	log.Info("simulated room", "seed", seed, "room", preset.Name)
	room, err := rig.New(rig.Options{Seed: seed, Preset: preset})
	if err != nil {
		return opts, nil, err
	}
	opts.Name = "simulated rig"
	opts.Room = room
	opts.Wire = control.RigWiring(rig.Bench())
	opts.Dial = func(ctx context.Context) (control.Device, error) {
		return dialBoard(ctx, room.Link(), board.Options{Log: log, InProcess: true})
	}
	return opts, room.Close, nil
}

// gallery makes the pictures of the simulated room, while nothing is armed; nil for a real one. Call end when it is no
// longer used.
func gallery(room control.Simulation, c *control.Control) (pictures page.Frames, end func()) {
	simulated, ok := room.(*rig.Rig)
	if !ok {
		return nil, func() {}
	}
	armed := func() bool { s := c.State(); return s != control.Safe && s != control.Fault && !c.BetweenReleases() }
	g := practice.NewGallery(simulated.Pictured, armed, realtime.Yield)
	return g, g.Close
}

// dialBoard is board.Dial without the trap of a nil client in an interface that is not nil.
func dialBoard(ctx context.Context, link io.ReadWriteCloser, opts board.Options) (control.Device, error) {
	client, err := board.Dial(ctx, link, opts)
	if ended := new(spawn.ExitError); errors.As(err, &ended) {
		return nil, ended // that says it all
	}
	if err != nil {
		return nil, err
	}
	return client, nil
}

func (m *Main) openJournal(ctx context.Context, path string, log *slog.Logger) (*journal.Journal, error) {
	path, err := journal.PathOr(path, m.Getenv)
	if err != nil {
		return nil, fmt.Errorf("%w (--journal FILE)", err)
	}
	j, err := journal.OpenReporting(ctx, path, func(version, last int) {
		log.Info("bringing the record up to date; a long one takes a while", "version", version, "of", last)
	})
	if err != nil {
		return nil, fmt.Errorf("%w (--journal FILE names another)", err)
	}
	return j, nil
}

// announce says on the terminal where the page is. The pairing code is shown here and nowhere else.
func (m *Main) announce(conf config.Config, in pairing.Invitation) {
	fmt.Fprintf(m.Stdout, "Stillwater %s, %s board (%s)\n\n", version(), conf.Board.Kind,
		cmp.Or(conf.Path, "no configuration"))
	_ = in.Write(m.Stdout) // a daemon that nobody reads goes on
	fmt.Fprintln(m.Stdout)
	if conf.Board.Kind != config.Simulated {
		fmt.Fprintln(m.Stdout, "This board switches real outputs. Before anything is armed:")
		for _, caution := range care.Checklist() {
			fmt.Fprintf(m.Stdout, "  - %s\n", caution.Text)
		}
		fmt.Fprintln(m.Stdout)
	}
	if in.Listening.Addr().IsLoopback() {
		fmt.Fprintf(m.Stdout, "Only this machine can open it. For a phone on the same network: stillwater --listen :%d\n",
			in.Listening.Port())
		return
	}
	fmt.Fprintln(m.Stdout, "Everyone on this network can open the page; only paired phones can use it.")
	in.DrawQR(m.Stdout, cameraWords)
}
