package setup

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/wire"
)

// checked is a check that found nothing.
type checked struct{ path string }

func (c checked) Write(w io.Writer) error {
	_, err := io.WriteString(w, "checked "+c.path+"\n")
	return err
}

func (checked) Stopped() bool { return false }

// stopped is a check that found what stops it.
type stopped struct{ checked }

func (stopped) Stopped() bool { return true }

// studioBoard is a board at rest whose sensors and outputs do as the test says.
type studioBoard struct {
	events  chan board.Event
	pulses  []uint8
	disarms int
	refuse  error
	closed  bool
}

func (b *studioBoard) Identity() board.Identity {
	return board.Identity{
		Inputs: []board.InputInfo{{Kind: wire.InputBeam, Name: "beam"},
			{Kind: wire.InputKill, Name: "stop", ActiveHigh: true}},
		Outputs: []board.OutputInfo{{Kind: wire.OutputFlash, Name: "flash1", MaxOn: 10 * time.Millisecond},
			{Kind: wire.OutputValve, Name: "valve1"}},
	}
}

func (b *studioBoard) Events() <-chan board.Event { return b.events }

func (b *studioBoard) Disarm(context.Context) error {
	b.disarms++
	return nil
}

func (b *studioBoard) Pulse(_ context.Context, output uint8, _ time.Duration) error {
	if b.refuse != nil {
		return b.refuse
	}
	b.pulses = append(b.pulses, output)
	b.events <- board.Event{Pulse: &board.CueReport{Output: output}}
	return nil
}

func (b *studioBoard) Close() error { b.closed = true; return nil }

func edge(input uint8, high bool, count uint16) board.Event {
	return board.Event{Edge: &wire.Edge{Input: input, High: high, Count: count}}
}

// session runs setup on a file with what is typed; what it says comes back.
func session(t *testing.T, path, typed string, o Options, m Machine) (Report, string, error) {
	t.Helper()
	var out bytes.Buffer
	o.Path, m.Out = path, &out
	if typed != "" {
		m.Terminal = NewTerminal(strings.NewReader(typed), &out)
	}
	if m.Check == nil {
		m.Check = func(_ context.Context, path string) Checked { return checked{path} }
	}
	if m.Running == nil {
		m.Running = func(context.Context, string) bool { return false }
	}
	r, err := Run(t.Context(), o, m)
	return r, out.String(), err
}

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(text)
}

// Enter to everything on a bare machine is the first build of the hardware folder.
func TestEnterToEverythingIsTheFirstBuild(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	r, out, err := session(t, path, strings.Repeat("\r\n", 1+len(Parts())+1), Options{NoTrial: true}, Machine{})
	require.NoError(t, err, out)
	assert.True(t, r.Written)
	assert.Equal(t, first(), resolved(parse(t, read(t, path))))
	assert.Empty(t, r.Backup)
	assert.Contains(t, out, "checked "+path)
	for _, words := range []string{"GPIO27", "(13)", "BEAM <---", "Without the guard", "FLASH1"} {
		assert.Contains(t, out, words)
	}
	r, out, err = session(t, path, strings.Repeat("\n", 1+len(Parts())), Options{NoTrial: true}, Machine{})
	require.NoError(t, err, out)
	assert.Empty(t, r.Changes, "again, it changes nothing")
	assert.False(t, r.Written)
}

// Answers that cannot be are asked again; nothing is written before it is wanted.
func TestOddTerminals(t *testing.T) {
	answers := strings.Repeat("\n", len(Parts()))
	for name, c := range map[string]struct {
		typed, says string
		written     bool
		err         error
	}{
		"no at the end":      {"gpio\n" + answers + "no\n", "Write this", false, nil},
		"ends at once":       {" ", "Board", false, ErrEnded},
		"ends in the middle": {"gpio\n\n\n", "beam", false, ErrEnded},
		"a last line":        {"simulated\nyes", "Nothing is wired", true, nil},
		"an arrow key":       {"\x1b[A\ngpio\n\x1b[B\n" + answers + "yes\n", "is not a pin", true, nil},
		"a supply":           {"gpio\n6\n" + answers + "yes\n", "is GND", true, nil},
		"a long line":        {strings.Repeat("y", 3*maxLine) + "\ngpio\n" + answers + "yes\n", "board: ", true, nil},
		"zeros and no UTF-8": {"\x00\xff\ngpio\n" + answers + "yes\n", "board: ", true, nil},
		"neither yes nor no": {"gpio\n" + answers + "perhaps\nyes\n", "answer yes or no", true, nil},
		"one pin twice":      {"gpio\n\nGPIO27\n" + answers, "gate: GPIO27 is already taken by beam", true, nil},
		"a word":             {"gpio\nbanana\n" + answers + "yes\n", "no pin banana", true, nil},
		"a pin too many":     {"gpio\nGPIO99\n" + answers + "yes\n", "no pin GPIO99", true, nil},
		"the board again":    {"gpio\ngpio\n" + answers + "yes\n", "no pin gpio ", true, nil},
		"letters swapped":    {"gpio\nyse\n" + answers + "yes\n", "no pin yse", true, nil},
		"a letter for a 0":   {"gpio\nGPI027\n" + answers + "yes\n", "no pin GPI027", true, nil},
		"no output at first": {"gpio\n\n\n\nno\n" + strings.Repeat("\n", len(Parts())-4) + "yes\n\n\n\n\n\n\nyes\n",
			"no output is connected", true, nil},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "stillwater.toml")
			r, out, err := session(t, path, c.typed, Options{NoTrial: true}, Machine{})
			require.ErrorIs(t, err, c.err, out)
			assert.Equal(t, c.written, r.Written)
			assert.Contains(t, out, c.says)
			_, there := os.Stat(path)
			assert.Equal(t, c.written, there == nil)
			assert.NotContains(t, out, "\x1b")
			assert.NotContains(t, out, "\x00")
			assert.NotContains(t, out, strings.Repeat("y", 100))
		})
	}
}

// Two pins that are given and cannot be so are an error before anything is asked; of one that is given and one that is
// there, the one that is there is asked for, and the pin that is taken is not offered.
func TestPinsThatClash(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	given := map[string]string{"beam": "GPIO24", "flash1": "yes"}
	_, out, err := session(t, path, strings.Repeat("\n", 100), Options{Given: given}, Machine{})
	require.ErrorContains(t, err, "flash1: GPIO24 is already taken by beam")
	assert.NotContains(t, out, "[", "nothing was asked")
	assert.NoFileExists(t, path)
	_, out, err = session(t, path, strings.Repeat("\n", 2+len(Parts())), Options{NoTrial: true}, Machine{})
	require.NoError(t, err, out)
	typed := "\n" + strings.Repeat("\n", 2) + "GPIO25\n" + strings.Repeat("\n", len(Parts()))
	_, out, err = session(t, path, typed, Options{Given: map[string]string{"beam": "GPIO24"}, NoTrial: true}, Machine{})
	require.NoError(t, err, out)
	assert.Contains(t, out, "flash1: flash, through an optocoupler (GPIO24) [no]")
	want := first()
	want.Pins["beam"], want.Pins["flash1"] = "GPIO24", "GPIO25"
	assert.Equal(t, want, resolved(parse(t, read(t, path))))
}

// A pin of another kind of board is taken if this machine has it, or if it is in use already.
func TestPinsOfThisMachine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	given := map[string]string{"beam": "PA6", "flash1": "yes", "kill": "yes"}
	_, _, err := session(t, path, "", Options{Given: given}, Machine{})
	require.ErrorContains(t, err, "there is no pin PA6")
	has := func(name string) bool { return name == "PA6" }
	_, _, err = session(t, path, "", Options{Given: given}, Machine{HasPin: has})
	require.NoError(t, err)
	_, out, err := session(t, path, strings.Repeat("\n", 2+len(Parts())), Options{NoTrial: true}, Machine{})
	require.NoError(t, err, out)
	assert.Equal(t, "PA6", resolved(parse(t, read(t, path))).Pins["beam"])
}

// What is offered fits what this machine has: a timing board that is plugged in where there is no header.
func TestBoardThatIsOffered(t *testing.T) {
	yes, no := func() bool { return true }, func() bool { return false }
	header := func(pin string) bool { return pin == "GPIO27" }
	none := func(string) bool { return false }
	for name, c := range map[string]struct {
		m    Machine
		want string
	}{
		"nothing":                     {Machine{HasPin: none, HasPort: no}, "[gpio]"},
		"a header":                    {Machine{HasPin: header, HasPort: no}, "[gpio]"},
		"a port":                      {Machine{HasPin: none, HasPort: yes}, "[serial]"},
		"a port of a board, a header": {Machine{HasPin: header, HasPort: yes}, "[gpio]"},
	} {
		path := filepath.Join(t.TempDir(), "stillwater.toml")
		_, out, err := session(t, path, "simulated\nno\n", Options{NoTrial: true}, c.m)
		require.NoError(t, err, name)
		assert.Contains(t, out, "Board "+c.want, name)
	}
}

// Whoever connects a valve is offered the guard with it, once.
func TestAValveWantsTheGuard(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	valve := slices.IndexFunc(Parts(), func(p Part) bool { return p.Name == "valve1" })
	typed := "\n" + strings.Repeat("\n", valve) + "yes\n" + strings.Repeat("\n", len(Parts())-valve)
	_, out, err := session(t, path, typed, Options{NoTrial: true}, Machine{})
	require.NoError(t, err)
	assert.Contains(t, out, "(GPIO22) [GPIO22]")
	assert.Equal(t, "GPIO22", resolved(parse(t, read(t, path))).Pins[Guard])
	given := map[string]string{Guard: No}
	_, out, err = session(t, path, "", Options{Given: given}, Machine{})
	require.NoError(t, err, out)
	_, out, err = session(t, path, strings.Repeat("\n", 2+len(Parts())), Options{NoTrial: true}, Machine{})
	require.NoError(t, err)
	assert.Contains(t, out, "(GPIO22) [no]", "what was answered stays")
}

// A file that says nothing of the board is completed: which board it is, is what is asked.
func TestFileWithoutABoard(t *testing.T) {
	for _, text := range []string{"", "# mine\n", "# mine\r\nlisten = \":80\"\r\n", "listen = \":80\"  # mine"} {
		path := filepath.Join(t.TempDir(), "stillwater.toml")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		r, out, err := session(t, path, "", Options{Given: map[string]string{"beam": "yes", "flash1": "yes", "kill": "yes"}},
			Machine{})
		require.NoError(t, err, out)
		assert.Equal(t, first(), resolved(parse(t, read(t, path))), "%q", text)
		assert.True(t, strings.HasPrefix(read(t, path), text), "%q", read(t, path))
		assert.Equal(t, text, read(t, r.Backup))
	}
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	require.NoError(t, os.WriteFile(path, []byte("[board]\nlate = \"1 ms\"\n"), 0o600))
	_, _, err := session(t, path, "", Options{Given: map[string]string{"beam": "yes"}}, Machine{})
	require.ErrorContains(t, err, "board.kind is missing")
}

// What the check says stops it comes first: nothing is offered to be tried.
func TestNoTrialOfWhatIsStopped(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	m := Machine{Check: func(_ context.Context, path string) Checked { return stopped{checked{path}} }}
	_, out, err := session(t, path, strings.Repeat("\n", 2+len(Parts())), Options{}, m)
	require.NoError(t, err, out)
	assert.NotContains(t, out, "Try it now")
	assert.Contains(t, out, "Nothing can be tried until")
}

// Without a terminal nothing is asked: what is given is changed, the rest stays.
func TestFlagsAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	_, _, err := session(t, path, "", Options{}, Machine{})
	require.ErrorIs(t, err, ErrNobody)
	drawing := filepath.Join(t.TempDir(), "wiring.svg")
	given := map[string]string{"beam": "yes", "flash1": "18", "kill": "GPIO5"}
	r, out, err := session(t, path, "", Options{Given: given, Dry: true, Drawing: drawing}, Machine{})
	require.NoError(t, err, out)
	assert.False(t, r.Written)
	assert.NoFileExists(t, path)
	assert.Contains(t, read(t, drawing), "FLASH1")
	r, out, err = session(t, path, "", Options{Given: given}, Machine{})
	require.NoError(t, err, out)
	assert.Equal(t, first(), resolved(parse(t, read(t, path))))
	assert.NotEmpty(t, r.Changes)
	text := read(t, path)
	r, _, err = session(t, path, "", Options{Given: map[string]string{"flash1": "GPIO25"}}, Machine{})
	require.NoError(t, err)
	assert.Equal(t, []string{"flash1: GPIO25, before: P1_18"}, r.Changes)
	assert.Equal(t, text, read(t, r.Backup))
	for name, bad := range map[string]map[string]string{
		"board: ":           {"board": "toaster"},
		"is GND":            {"beam": "6"},
		"no pins":           {"board": "serial", "beam": "GPIO3"},
		"taken by":          {"gate": "GPIO27"},
		"nothing could":     {"flash1": "no"},
		"no pins to choose": {"board": "simulated", "kill": "yes"},
	} {
		_, _, err := session(t, path, "", Options{Given: bad}, Machine{})
		require.ErrorContains(t, err, name)
	}
	assert.Equal(t, strings.ReplaceAll(text, "P1_18", "GPIO25"), read(t, path), "nothing of that was written")
}

// With hands and eyes: what was seen works, what was not says what to look for, and nothing is switched unasked.
func TestTrial(t *testing.T) {
	for name, c := range map[string]struct {
		typed   string
		refuse  error
		results []string
		pulses  []uint8
		says    string
	}{
		"all of it": {"yes\nyes\nyes\nyes\nyes\n", nil, []string{Works, Works, Works, Works}, []uint8{0, 1},
			"Everything"},
		"no caution":  {"no\n", nil, []string{Works, Works, "skipped", "skipped"}, nil, "Not seen to work: flash1"},
		"enter alone": {"\n", nil, []string{Works, Works, "skipped", "skipped"}, nil, "hands"},
		"one of two":  {"yes\nno\nyes\nyes\n", nil, []string{Works, Works, "skipped", Works}, []uint8{1}, "skipped"},
		"no flash": {"yes\nyes\nno\nno\n", nil,
			[]string{Works, Works, "switched, and nothing happened", "skipped"}, []uint8{0}, "polarity"},
		"stop is down": {"yes\nyes\nno\n", errors.New("refused"),
			[]string{Works, Works, "not switched: refused", "skipped"}, nil, "refused"},
		"terminal ends": {"yes\n", nil, []string{Works, Works}, nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := &studioBoard{events: make(chan board.Event, 100), refuse: c.refuse}
				in, keys := io.Pipe()
				var out bytes.Buffer
				terminal := NewTerminal(in, &out)
				go func() { // a hand waved before it was asked for does not count; then beam, then kill switch
					b.events <- edge(0, false, 1)
					time.Sleep(time.Second)
					b.events <- edge(1, true, 1)
					b.events <- edge(0, true, 1)
					b.events <- edge(0, false, 1)
					time.Sleep(time.Second)
					b.events <- edge(1, false, 2)
					time.Sleep(time.Second)
					_, _ = io.WriteString(keys, c.typed)
					keys.Close()
				}()
				trials, err := terminal.Try(t.Context(), b)
				if name == "terminal ends" {
					require.ErrorIs(t, err, ErrEnded)
				} else {
					require.NoError(t, err)
				}
				var results []string
				for _, one := range trials {
					results = append(results, one.Result)
				}
				assert.Equal(t, c.results, results)
				assert.Equal(t, c.pulses, b.pulses)
				assert.Contains(t, out.String()+worked(trials), c.says)
				assert.Contains(t, out.String(), "wrong way round", "the level of rest, once")
				for range terminal.lines { // the rest of the answers
				}
			})
		})
	}
}

// A timing board has pins for all there is: what is not connected is said, and is nothing that does not work.
func TestTrialOfWhatIsNotThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &studioBoard{events: make(chan board.Event, 1)}
		var out bytes.Buffer
		trials, err := NewTerminal(strings.NewReader("no\n\nno\n"), &out).Try(t.Context(), b)
		require.NoError(t, err, out.String())
		assert.Equal(t, []Trial{{"beam", absent}, {"stop", "nothing was seen"}, {"flash1", "skipped"}, {"valve1", "skipped"}},
			trials)
		assert.NotContains(t, worked(trials), "beam")
		assert.Contains(t, worked(trials), "stop")
	})
}

func TestTrialOfABoardThatGoes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &studioBoard{events: make(chan board.Event, 1)}
		b.events <- board.Event{Gone: errors.New("unplugged")}
		terminal := NewTerminal(strings.NewReader(""), io.Discard)
		_, err := terminal.Try(t.Context(), b)
		require.ErrorContains(t, err, "unplugged")
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err = terminal.Try(ctx, &studioBoard{})
		require.ErrorIs(t, err, context.Canceled)
		synctest.Wait()
	})
}

// A running service is stopped for a trial only if that is wanted, and started again whatever comes.
func TestServiceIsStartedAgain(t *testing.T) {
	var verbs []string
	m := Machine{Service: func(_ context.Context, verb string) error { verbs = append(verbs, verb); return nil },
		Running: func(context.Context, string) bool { return true },
		Dial:    func(context.Context, config.Config) (Board, error) { return nil, errors.New("no such pin") }}
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	answers := "gpio\n" + strings.Repeat("\n", len(Parts())) + "yes\n"
	_, out, err := session(t, path, answers, Options{}, m)
	require.NoError(t, err)
	assert.Empty(t, verbs, "one that is not the installed service is left alone")
	assert.Contains(t, out, "systemctl restart stillwater")
	var said bytes.Buffer
	m.Out, m.Terminal = &said, NewTerminal(strings.NewReader("yes\n"), &said)
	r := Report{File: ServiceFile}
	require.NoError(t, r.trial(t.Context(), config.Config{Board: config.Board{Kind: config.GPIO}}, true, m))
	assert.Equal(t, []string{"stop", "start"}, verbs)
	assert.Contains(t, said.String(), "Nothing can be tried: no such pin")
}
