package main

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"net/http/httptest"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/care"
	"stillwater/internal/control"
	"stillwater/internal/page"
	"stillwater/internal/proctest"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/web"
)

// fakeControl is a machine in whatever state a test says, for what a simulated rig does not come to: a kill switch, a
// board that is not there, a clock that is not set. It takes every command but those it refuses, and does nothing.
type fakeControl struct {
	mu     sync.Mutex
	snap   control.Snapshot
	boxes  map[chan *control.Snapshot]bool
	did    []control.Command
	taken  map[string]int // of did, how far await has come, by type
	refuse map[string]*control.Refusal
	hang   map[string]chan struct{} // commands that are not answered until it is closed
	played int                      // scenes shown
	record page.RecordReader
}

func (p *fakeControl) Join(string) (<-chan *control.Snapshot, func(time.Time)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	box := make(chan *control.Snapshot, 100)
	p.boxes[box] = true
	box <- complete(p.snap)
	return box, func(time.Time) { p.mu.Lock(); defer p.mu.Unlock(); delete(p.boxes, box) }
}

func (p *fakeControl) Do(_ context.Context, _ string, cmd control.Command) error {
	cmd.Connection = nil // not what the page said
	p.mu.Lock()
	p.did = append(p.did, cmd)
	hang := p.hang[cmd.Type]
	p.mu.Unlock()
	if hang != nil {
		<-hang
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if r := p.refuse[cmd.Type]; r != nil {
		return r
	}
	return nil
}

func (p *fakeControl) Snapshot() *control.Snapshot {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.snap
	return &now
}

// be changes the state and shows it.
func (p *fakeControl) be(change func(*control.Snapshot)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.snap.Shots = slices.Clone(p.snap.Shots) // what was shown is read by the page's goroutines
	change(&p.snap)
	p.snap.Sent = time.Now()
	for box := range maps.Keys(p.boxes) {
		box <- complete(p.snap)
	}
}

// complete gives lists that a test left out: the control sends none that is null.
func complete(s control.Snapshot) *control.Snapshot {
	s.Inputs = slices.Clone(s.Inputs)
	for i := range s.Inputs {
		s.Inputs[i].Breaks = append([]control.Break{}, s.Inputs[i].Breaks...)
	}
	s.Evening = append([]control.Care{}, s.Evening...)
	s.DryShots = append([]control.DryShot{}, s.DryShots...)
	s.Lag.Bins = append([]control.LagBin{}, s.Lag.Bins...)
	if s.Room != nil {
		room := *s.Room
		room.Paces = append([]int{}, room.Paces...)
		s.Room = &room
	}
	return &s
}

// last is the newest command of a kind.
func (p *fakeControl) last(kind string) (control.Command, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, cmd := range slices.Backward(p.did) {
		if cmd.Type == kind {
			return cmd, true
		}
	}
	return control.Command{}, false
}

// await waits until a command of a kind was given since the last one awaited, and returns it.
func (p *fakeControl) await(t *testing.T, kind string) (cmd control.Command) {
	t.Helper()
	proctest.Eventually(t, "the page asks: "+kind, func() bool {
		p.mu.Lock()
		defer p.mu.Unlock()
		for i, next := range p.did[p.taken[kind]:] {
			if next.Type == kind {
				cmd, p.taken[kind] = next, p.taken[kind]+i+1
				return true
			}
		}
		return false
	})
	return cmd
}

// ready is a real board that could be armed, held by the first phone.
func ready() control.Snapshot {
	s := control.Snapshot{
		Epoch: 7, State: control.Safe, Reason: "nothing is armed", Holder: "phone 1", Asking: []string{}, GraceS: 10,
		ArmForS: 600, Set: shot.DefaultSet(), CareDone: true,
		Session: control.SessionView{ID: 1, Name: "crowns", Started: time.Now()}, Shots: []control.ShotView{},
		Board: control.Board{Kind: "gpio", Name: "Linux GPIO", Connected: true, TickUs: 0.1, Outputs: []control.OutputView{
			{Name: "flash", TestMs: 5}, {Name: "shutter", TestMs: 300}}},
		Inputs: []control.InputView{{Name: "beam", Role: "beam"}, {Name: "stop", Role: "kill"}},
		Preview: &control.Preview{DelayMs: 130, DelayLowMs: 120, DelayHighMs: 140, Summary: "A drop.",
			Marks: []control.Mark{{Name: "edge"}, {Name: "moment", AtMs: 130}}, Bars: []control.BarView{},
			Budget: []control.Term{{Name: "all"}, {Name: "again"}}, Advice: []string{}, Table: []control.TablePoint{}},
		Phases: []control.Choice{}, Liquids: []control.Choice{}, Sent: time.Now(),
	}
	for _, c := range care.Checklist() {
		s.Care = append(s.Care, control.Care{ID: c.ID, Text: c.Text, Ticked: true})
	}
	return s
}

// stage opens the page of a fake control on a phone.
func (b *browser) stage(t *testing.T, change func(*fakeControl)) (*fakeControl, *phone) {
	m := &fakeControl{snap: ready(), boxes: map[chan *control.Snapshot]bool{}, refuse: map[string]*control.Refusal{},
		taken: map[string]int{}, record: &madeUpRecord{}}
	change(m)
	server, err := page.New(t.Context(), page.Options{Control: m, Files: web.Files, Record: m.record, Frames: greyFrames{},
		Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	s := httptest.NewServer(server.Handler())
	t.Cleanup(func() { s.CloseClientConnections(); s.Close() })
	p := b.phone(t, s.URL+"/#code="+server.Code(), 390, 844, true)
	p.until("it is shown", `document.querySelector("#page").checkVisibility()`)
	return m, p
}

// TestHints: what the page says in states that a rig does not come to.
func TestHints(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	for name, does := range map[string]func(*testing.T){
		"kill switch":       b.killSwitch,
		"no board":          b.noBoard,
		"change of hands":   b.changeOfHands,
		"clock":             b.clockNotSet,
		"test of an output": b.testOutput,
		"arming":            b.arming,
		"note":              b.noteBeingWritten,
		"late machine":      b.lateMachine,
		"header":            b.headerKeepsItsHeight,
		"drift":             b.driftingThumb,
		"nothing armed":     b.nothingArmed,
		"verdicts":          b.givingVerdicts,
		"wide figures":      b.wideFigures,
		"nobody holds":      b.nobodyHolds,
		"note refused":      b.noteRefused,
		"order":             b.sameOrderByTab,
		"session":           b.sessionDate,
		"go":                b.goKeepsItsPlace,
		"signals":           b.signals,
		"sensors":           b.sensors,
		"how it arms":       b.howItArms,
		"priming":           b.priming,
		"repeating":         b.repeating,
		"locked phone":      b.lockedPhone,
		"country":           b.country,
	} {
		t.Run(name, func(t *testing.T) { t.Parallel(); does(t) })
	}
}

const hint = `(h => h.checkVisibility() ? h.textContent : "")(document.querySelector("#bar-hint"))`

func (b *browser) killSwitch(t *testing.T) {
	m, p := b.stage(t, func(*fakeControl) {})
	p.state("safe", "Safe")
	assert.Empty(t, eval[string](p, hint))
	p.listen()
	m.be(func(s *control.Snapshot) {
		s.State, s.Reason = control.Fault, "the kill switch is on: release it, then disarm to clear the fault"
		s.Inputs = []control.InputView{s.Inputs[0], {Name: "stop", Role: "kill", Active: true, Edges: 1}}
	})
	p.state("fault", "Fault")
	p.until("what to do first is said", hint+` === "First release the kill switch."`)
	assert.Equal(t, "Disarm and clear the fault", p.text("#disarm"))
	assert.Contains(t, p.heard()[0], "Fault. The kill switch is on")
	p.picture("hint-01-kill-switch")
	p.fit("kill switch")
	p.narrow("kill switch")
	m.be(func(s *control.Snapshot) {
		s.Inputs = []control.InputView{s.Inputs[0], {Name: "stop", Role: "kill", Edges: 2}}
	})
	p.until("it is no longer said", hint+` === ""`)
	p.tap("#disarm")
	m.await(t, "disarm")
	p.until("nothing is refused", `!document.querySelector("#bar-refusal").checkVisibility()`)
	p.clean()
}

func (b *browser) noBoard(t *testing.T) {
	const why = "the board cannot be reached: there is no board socket /run/stillwater/board.sock yet: start the " +
		"board's service with sudo systemctl start stillwater-board.socket, or by hand with stillwater board --listen " +
		"/run/stillwater/board.sock: dial unix /run/stillwater/board.sock: connect: no such file or directory"
	m, p := b.stage(t, func(m *fakeControl) {
		m.snap.State, m.snap.Reason = control.Fault, why
		m.snap.Board.Connected, m.snap.Board.Problem, m.snap.Board.Outputs = false, why, []control.OutputView{}
	})
	p.state("fault", "Fault")
	p.until("it is said", hint+` === "The board is not connected. It comes back disarmed."`)
	assert.Contains(t, p.text("#state-reason"), "start the board's service with sudo systemctl start")
	assert.Contains(t, p.text("#board-words"), "Not connected. The board cannot be reached: there is no board socket")
	setFolds(p, true)
	assert.False(t, eval[bool](p, `document.querySelector("#outputs").checkVisibility()`))
	p.picture("hint-02-no-board")
	p.fit("no board")
	p.narrow("no board")
	m.be(func(s *control.Snapshot) { *s = ready() })
	p.state("safe", "Safe")
	p.until("it is back", hint+` === ""`)
	p.clean()
}

// A change of holder is announced to a screen reader, which reads what changes in an element that is a status.
func (b *browser) changeOfHands(t *testing.T) {
	m, p := b.stage(t, func(*fakeControl) {})
	p.state("safe", "Safe")
	assert.Equal(t, "status", eval[string](p, `document.querySelector("#controls-words").getAttribute("role")`))
	m.be(func(s *control.Snapshot) { s.Asking, s.Onlookers = []string{"phone 2"}, 1 })
	p.until("the other's wish is at the top",
		`document.querySelector("#state-notice").textContent === "Phone 2 asks for the controls: see Set up."`)
	p.js(`window.read = []; new MutationObserver(() => read.push(document.querySelector("#controls-words").textContent))
		.observe(document.querySelector("#controls-words"), { childList: true, characterData: true, subtree: true })`)
	p.tap(`[data-act="give"]`)
	cmd := m.await(t, "give")
	m.be(func(s *control.Snapshot) { s.Holder, s.Asking = "phone 2", []string{} })
	p.until("arming is not offered", `document.querySelector("#arm").disabled`)
	assert.Equal(t, "phone 2", cmd.To)
	read := eval[[]string](p, `read`)
	require.NotEmpty(t, read)
	assert.Contains(t, read[len(read)-1], "Phone 2 holds the controls; this is phone 1 and is watching.")
	p.until("and why", hint+` === "This phone is watching. To arm, ask for the controls in Set up."`)
	p.clean()
}

// The phone tells its clock when it connects; what the machine thinks of it, and how dates are known, is shown.
func (b *browser) clockNotSet(t *testing.T) {
	const wrong = "This phone's clock cannot be right: it says 3 May 2011."
	m, p := b.stage(t, func(m *fakeControl) {
		m.refuse["clock"] = &control.Refusal{Field: "now", Why: wrong, Remedy: "Set its date."}
		m.snap.Session.Dates = "The machine's clock is not set: dates come from a phone's clock."
		m.snap.Shots = []control.ShotView{
			{ID: 2, Number: 2, At: time.Now(), Status: "done", OK: true, Dated: "by a phone's clock", Cues: []control.CueView{}},
			{ID: 1, Number: 1, At: time.Now(), Status: "disarmed", Verdict: record.Early, Cues: []control.CueView{}},
		}
	})
	p.state("safe", "Safe")
	p.until("it is told", `document.querySelector("#session-refusal").checkVisibility()`)
	assert.Contains(t, p.text("#session-refusal"), wrong+" Set its date.")
	cmd, _ := m.last("clock")
	assert.WithinDuration(t, time.Now(), time.UnixMilli(cmd.Now), time.Hour, "one machine, one clock")
	assert.Contains(t, p.text("#session-words"), "dates come from a phone's clock")
	assert.Contains(t, p.text("#shot .facts"), "by a phone's clock")
	p.js(`document.querySelector("#session").scrollIntoView({ block: "end" })`)
	p.picture("hint-03-clock")
	p.fit("clock")
	p.narrow("clock")
	p.clean()
}

func (b *browser) testOutput(t *testing.T) {
	m, p := b.stage(t, func(*fakeControl) {})
	p.state("safe", "Safe")
	setFolds(p, true)
	const flash = `#outputs [data-key="flash"]`
	assert.Equal(t, "Hold to test flash, 5 ms", p.plain(flash+" button"))
	said := func(words string) string {
		return `document.querySelector('` + flash + ` p').textContent.startsWith("` + words + `")`
	}
	p.tap(flash + " button")
	p.until("a tap is explained", said("Hold it"))
	x, y := p.at(flash + " button")
	pressed := `document.querySelector('` + flash + ` button').ariaPressed === "true"`
	p.briefly(func() {
		p.down(x, y)
		p.until("it is pressed", pressed)
		p.js(`document.querySelector("#outputs").closest(".place, html").scrollBy(0, -60); scrollBy(0, -60)`)
		p.until("the button went away under the finger", said("Cancelled: the page moved"))
		p.up(x, y)
	})
	_, asked := m.last("pulse")
	assert.False(t, asked, "neither switches anything")
	x, y = p.at(flash + " button")
	p.down(x, y)
	p.until("it is pressed", pressed)
	p.js(`const late = Object.assign(document.createElement("p"), { id: "late", textContent: "late" });
		document.querySelector("#outputs").closest(".place").prepend(late)`)
	assert.NotZero(t, eval[float64](p, `late.offsetHeight`), "what comes late, far above: the browser scrolls along")
	p.until("it was held long enough", `!document.querySelector('`+flash+` button').ariaPressed`)
	p.up(x, y)
	cmd := m.await(t, "pulse")
	assert.Equal(t, control.Command{Type: "pulse", Output: "flash", Epoch: 7}, cmd)
	m.be(func(s *control.Snapshot) {
		s.Board.Outputs = slices.Clone(s.Board.Outputs)
		s.Board.Outputs[0].Tested = "planned at once for 5.0 ms; on after 0.012 ms, for 5.000 ms"
	})
	p.until("what was done is shown", `document.querySelector('`+flash+` p').textContent.includes("after 0.012\u00a0ms")`)
	p.picture("hint-04-test-output")
	p.fit("test of an output")
	p.narrow("test of an output")
	p.clean()
}

// While the board is asked to arm, before anything of it is shown and after, one tap disarms.
func (b *browser) arming(t *testing.T) {
	hang := make(chan struct{})
	m, p := b.stage(t, func(m *fakeControl) { m.hang = map[string]chan struct{}{"arm": hang} })
	p.state("safe", "Safe")
	const offered = `document.querySelector("#disarm").checkVisibility()`
	p.hold("#arm", "disarm is offered", offered)
	cmd := m.await(t, "arm")
	assert.Equal(t, control.Command{Type: "arm", Shots: 1, Epoch: 7}, cmd)
	p.state("safe", "Safe") // and still nothing is known of it
	_, disarmed := m.last("disarm")
	assert.False(t, disarmed, "lifting the finger is no tap")
	m.be(func(s *control.Snapshot) { s.State, s.Reason = control.Arming, "arming" })
	p.state("arming", "Arming")
	p.picture("hint-05-arming")
	p.fit("arming")
	p.narrow("arming")
	p.tap("#disarm")
	m.await(t, "disarm")
	m.be(func(s *control.Snapshot) { s.Epoch, s.State, s.Reason = 8, control.Safe, "disarmed by phone 1" })
	p.state("safe", "Safe")
	assert.True(t, eval[bool](p, offered), "until the arming is answered")
	close(hang)
	p.until("it can be armed again", `document.querySelector("#arm").checkVisibility()`)
	p.clean()
}

// What the machine did is kept apart from what the picture shows: a shot that it spoiled gets no verdict, and no trim
// stands under it.
func (b *browser) lateMachine(t *testing.T) {
	late := control.ShotView{ID: 2, Number: 2, At: time.Now(), Status: "done", OK: true, DelayMs: 130, LateMs: 17.9064,
		Problem: "The machine, not the delay, was late.", Cues: []control.CueView{
			{Name: "flash", PlannedMs: 130, ActualMs: 147.9064, LateUs: 17906.4},
			{Name: "shutter", PlannedMs: 60, ActualMs: 60.0123, LateUs: 12.3}}}
	failed := control.ShotView{ID: 1, Number: 1, At: time.Now(), Status: "late", Problem: "It gave the shot up.",
		Cues: []control.CueView{}}
	good := control.ShotView{ID: 3, Number: 3, At: time.Now(), Status: "done", OK: true, DelayMs: 130,
		Verdict: record.Late, Cues: []control.CueView{}}
	m, p := b.stage(t, func(m *fakeControl) { m.snap.Shots = []control.ShotView{late, failed} })
	p.place("shoot")
	p.until("it is shown", `document.querySelector("#shot .problem").checkVisibility()`)
	assert.Equal(t, late.Problem, p.text("#shot .problem"))
	assert.Equal(t, "machine late", p.text("#shot .chip"))
	assert.Equal(t, "delay 130.00 ms · real board", p.plain("#shot .facts"))
	assert.Equal(t, "+17.9\u00a0ms", p.figures("flash")["late"])
	assert.Equal(t, "+12.3\u00a0µs", p.figures("shutter")["late"])
	const invited = `document.querySelector(%q).checkVisibility({ visibilityProperty: true })`
	assert.False(t, eval[bool](p, fmt.Sprintf(invited, "#verdicts [data-verdict]")))
	p.picture("hint-06-late-machine")
	p.fit("late machine")
	p.narrow("late machine")
	m.be(func(s *control.Snapshot) { s.Shots = []control.ShotView{failed} })
	p.until("the other is shown", `document.querySelector("#shot").dataset.ok === "no"`)
	assert.Equal(t, failed.Problem, p.text("#shot .problem"))
	assert.False(t, eval[bool](p, fmt.Sprintf(invited, "#verdicts [data-verdict]")))
	m.be(func(s *control.Snapshot) { s.Shots = []control.ShotView{good, late, failed} })
	p.until("one that the machine did not spoil may be judged", fmt.Sprintf(invited, "#verdicts [data-verdict]"))
	assert.Empty(t, p.text("#shot .problem"))
	p.clean()
}

// A shot that comes while a note is being written on the one before waits, and leaves the field as it is.
func (b *browser) noteBeingWritten(t *testing.T) {
	shots := make([]control.ShotView, 2) // newest first
	for i := range shots {
		n := len(shots) - i
		shots[i] = control.ShotView{ID: int64(n), Number: n, OK: true, Status: "done", Cues: []control.CueView{}}
	}
	m, p := b.stage(t, func(m *fakeControl) { m.snap.Shots = shots[1:] })
	p.reach("#note")
	p.js(`const n = document.querySelector("#note"); n.focus(); n.value = "half a"`)
	m.be(func(s *control.Snapshot) { s.Shots = shots })
	p.until("the next is offered", `document.querySelector("#shots-newer").checkVisibility()`)
	assert.True(t, eval[bool](p, `n.checkVisibility() && document.activeElement === n && n.value === "half a"`))
	assert.True(t, eval[bool](p, `document.querySelector("#shot").dataset.number === "1"`))
	_, sent := m.last("note")
	assert.False(t, sent, "before it is finished")
	p.js(`n.blur()`)
	p.until("the next is shown", shotCame(2)+`&& n.checkVisibility() && n.value === ""`)
	p.clean()
}
