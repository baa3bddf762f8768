package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/stretchr/testify/assert"

	"stillwater/internal/control"
	"stillwater/internal/proctest"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// sizes are the screens of a small phone, a phone and a desk.
var sizes = [][2]int64{{360, 640}, {390, 844}, {1400, 900}}

// The header is as high in each state, with whatever words, and the tab's title says the state.
func (b *browser) headerKeepsItsHeight(t *testing.T) {
	m, p := b.stage(t, func(*fakeControl) {})
	p.state("safe", "Safe")
	for _, size := range sizes {
		p.resize(size[0], size[1])
		heights := map[float64]bool{}
		for word, change := range map[string]func(*control.Snapshot){
			"Safe": func(*control.Snapshot) {},
			"Armed": func(s *control.Snapshot) {
				s.State, s.Reason, s.ArmedLeft = control.Armed, "armed: waiting for the drop at the beam", 3
				s.ArmedEnds = s.Sent.Add(5 * time.Minute).UnixMilli()
				s.Notice = "the beam was broken for 0.4 ms, which is too short for a drop, and nothing was fired"
			},
			"Fault": func(s *control.Snapshot) {
				s.State, s.Reason = control.Fault, strings.Repeat("the board cannot be reached for a reason. ", 12)
			},
		} {
			m.be(func(s *control.Snapshot) { *s = ready(); s.Sent = time.Now(); change(s) })
			p.state(strings.ToLower(word), word)
			heights[eval[float64](p, `document.querySelector("header").offsetHeight`)] = true
			p.until("the title says it", fmt.Sprintf(`document.title === %q`, word+" · Stillwater"))
			p.fit(word)
			p.picture(fmt.Sprintf("steady-%d-%s", size[0], word))
		}
		assert.Len(t, heights, 1, "the header's heights at %v", size)
	}
	assert.True(t, eval[bool](p, `(w => { w.scrollTop = 9e9; const r = document.querySelector("#state-reason");
		return r.getBoundingClientRect().bottom <= w.getBoundingClientRect().bottom + 1;
	})(document.querySelector(".state-words"))`),
		"long words can be read to their end")
	p.clean()
}

// A wet thumb drifts while it holds: as long as it stays on the button or close to it, it arms.
func (b *browser) driftingThumb(t *testing.T) {
	m, p := b.stage(t, func(*fakeControl) {})
	p.state("safe", "Safe")
	x, y := p.at("#arm")
	asked := func() bool { _, asked := m.last("arm"); return asked }
	press := func() {
		p.down(x, y)
		p.until("it is pressed", `document.querySelector("#arm").matches(".pressed")`)
	}
	half := eval[float64](p, `document.querySelector("#arm").offsetWidth / 2`)

	p.briefly(func() {
		press()
		p.move(x-half-40, y)
		p.hint("it says that and why it was cancelled", "Cancelled: the finger left the button.")
		p.up(x, y)
	})
	p.briefly(func() {
		press()
		first, second := 0.0, 1.0
		p.finger(input.DispatchTouchEventTypeTouchStart, &input.TouchPoint{X: x, Y: y, ID: &first},
			&input.TouchPoint{X: x + 20, Y: y, ID: &second})
		p.hint("a second finger cancels", "Cancelled: a second finger touched it.")
		p.up(x, y)
	})
	assert.False(t, asked())

	press()
	for _, by := range [][2]float64{{10, 8}, {18, 18}, {40, 30}, {half + 12, -40}} {
		p.move(x-by[0], y+by[1])
	}
	proctest.Eventually(t, "it is asked for", asked)
	p.up(x, y)
	p.clean()
}

// What is let go in the simulated room with nothing armed is seen to have happened.
func (b *browser) nothingArmed(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { m.snap.Room = &control.Room{} })
	p.until("it says what it does", `document.querySelector("#room").textContent === "Let it fall"`)
	m.be(func(s *control.Snapshot) { s.Room = &control.Room{Busy: true} })
	p.until("it falls", `document.querySelector("#room").textContent === "Falling …"`)
	m.be(func(s *control.Snapshot) { s.Room = &control.Room{} })
	p.hint("it fell", "A drop fell. Nothing was armed, so nothing fired.")
	p.picture("steady-fell")
	p.clean()
}

func shotWith(n int, verdict record.Verdict) control.ShotView {
	return control.ShotView{ID: int64(n), Number: n, At: time.Unix(int64(n), 0), OK: true, Status: "done",
		Verdict: verdict, Cues: []control.CueView{}}
}

// Verdict buttons stay where they are while a shot is judged, and a new shot waits until it is asked for.
func (b *browser) givingVerdicts(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { m.snap.Shots = []control.ShotView{shotWith(1, "")} })
	const verdicts = `JSON.stringify([...document.querySelectorAll('#verdicts[data-shot="1"] button')].map(
		(b) => b.getBoundingClientRect()))`
	p.place("shoot")
	before := eval[string](p, verdicts)
	for _, verdict := range []record.Verdict{record.Good, record.Nothing, record.Early, record.Late} {
		button := fmt.Sprintf(`document.querySelector('#verdicts[data-shot="1"] [data-verdict=%q]')`, verdict)
		p.js(button + `.click()`)
		m.be(func(s *control.Snapshot) { s.Shots = []control.ShotView{shotWith(1, verdict)} })
		p.until("it is judged", button+`.ariaPressed === "true"`)
		assert.Equal(t, before, eval[string](p, verdicts), "judged %s", verdict)
	}
	p.tap(`#verdicts[data-shot="1"] button:last-child`)
	p.until("a note is written", `document.activeElement === document.querySelector("#note")`)
	p.js(`document.querySelector("#coming").open = true`)
	assert.Equal(t, before, eval[string](p, verdicts), "figures and plan opened")
	p.picture("steady-folds")
	p.js(`document.querySelector("#shot-fold").open = document.querySelector("#coming").open = false`)
	p.tap(`#verdicts[data-shot="1"] [data-verdict="good"]`)
	before = eval[string](p, verdicts)
	m.be(func(s *control.Snapshot) { s.Shots = []control.ShotView{shotWith(2, ""), shotWith(1, record.Late)} })
	p.until("the new one is offered", `document.querySelector("#shots-newer").textContent === "Show the newer shot"`)
	assert.Equal(t, before, eval[string](p, verdicts), "a new shot came")
	assert.False(t, eval[bool](p, `Boolean(document.querySelector('#shot[data-shot="2"]'))`))
	p.picture("steady-newer")
	p.fit("newer shot")

	// A finger that is on its way comes down on what has just appeared there.
	p.js(`window.struck = 0; new MutationObserver(() => {
		const b = document.querySelector('#verdicts[data-shot="2"] [data-verdict="good"]');
		if (!b || struck) return;
		struck = performance.now();
		b.dispatchEvent(new PointerEvent("pointerdown", { bubbles: true }));
		b.dispatchEvent(new MouseEvent("click", { bubbles: true, detail: 1 }));
	}).observe(document.querySelector("#shoot"), { childList: true, subtree: true, attributes: true })`)
	p.tap("#shots-newer")
	p.until("it was struck", `struck`)
	x, y := p.at(`#verdicts[data-shot="2"] [data-verdict="good"]`) // once it takes a press
	cmd, _ := m.last("verdict")
	assert.Equal(t, int64(1), cmd.Shot, "the finger was not meant for the new shot")
	p.down(x, y)
	p.up(x, y)
	proctest.Eventually(t, "a verdict on shot 2", func() bool { c, _ := m.last("verdict"); return c.Shot == 2 })
	p.clean()
}

// The figures of a shot from Go are long: the page does not scroll sideways for them.
func (b *browser) wideFigures(t *testing.T) {
	_, p := b.stage(t, func(m *fakeControl) {
		s := shotWith(1, record.Nothing)
		s.Cues = []control.CueView{{Name: "shutter", PlannedMs: -126345.123, ActualMs: -126327.217,
			LateUs: 17906.4}}
		m.snap.Shots = []control.ShotView{s}
	})
	p.reach("#note")
	p.narrow("wide figures")
	setFolds(p, true)
	p.resize(360, 640)
	p.fit("lists at 360")
	assert.Less(t, eval[float64](p, `document.querySelector(".figures tbody th").offsetHeight`), 50.0, "in one line")
	p.clean()
}

func (b *browser) nobodyHolds(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { m.snap.Holder = "" })
	p.until("it says take", hint+` === "Nobody holds the controls. To arm, take them in Set up."`)
	m.be(func(s *control.Snapshot) { s.Holder = "phone 2" })
	p.until("it says ask", hint+` === "This phone is watching. To arm, ask for the controls in Set up."`)
	p.clean()
}

// Why a note was not taken stands at the note, with what was typed; why a verdict was not stands at the verdicts.
func (b *browser) noteRefused(t *testing.T) {
	_, p := b.stage(t, func(m *fakeControl) {
		m.snap.Shots = []control.ShotView{shotWith(1, "")}
		m.refuse["note"] = &control.Refusal{Field: "text", Why: "That is too long.", Remedy: "Shorten it."}
		m.refuse["verdict"] = &control.Refusal{Why: "The record is busy."}
	})
	p.enter("#note", "a thin column")
	p.until("it is refused", `document.querySelector("#note-refusal").checkVisibility()`)
	assert.Contains(t, p.text("#note-refusal"), "“a thin column” was not accepted. That is too long.")
	assert.Equal(t, "note-refusal", eval[string](p, `document.querySelector(".note").nextElementSibling.id`))
	p.tap(`#verdicts[data-shot="1"] [data-verdict="good"]`)
	p.until("the verdict is refused over its buttons", `document.querySelector("#shoot-says .refusal").checkVisibility()`)
	p.fit("note refused")
	p.tap("#shoot-says .close")
	p.until("it is put away", `!document.querySelector("#shoot-says .refusal").checkVisibility()`)
	p.picture("steady-note-refused")
	p.clean()
}

// What can be reached by Tab comes in the order in which it stands on a phone, before care is done and after.
func (b *browser) sameOrderByTab(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { m.snap.Shots = []control.ShotView{shotWith(1, "")} })
	p.state("safe", "Safe")
	const order = `[...document.querySelectorAll("#setup > section")].filter((s) => s.checkVisibility())
		.map((s) => [s.id, s.getBoundingClientRect().top]).filter(([id, top], i, all) => i > 0 && top < all[i - 1][1]).join()`
	assert.Empty(t, eval[string](p, order))
	assert.Equal(t, "session", eval[string](p, `document.querySelector("#care").previousElementSibling.id`))
	p.js(`document.querySelector("#care input").focus()`)
	m.be(func(s *control.Snapshot) {
		s.CareDone, s.Care = false, append([]control.Care{}, s.Care...)
		s.Care[0].Ticked = false
	})
	p.until("care comes first", `document.querySelector("#setup > section").id === "care"`)
	assert.Empty(t, eval[string](p, order))
	assert.True(t, eval[bool](p, `document.activeElement === document.querySelector("#care input")`), "the focus stays")
	p.clean()
}

// A session that nobody named is known by its date, said once and in 24 hours. Selected digits can be read.
func (b *browser) sessionDate(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) {
		m.snap.Session = control.SessionView{ID: 1, Started: time.Date(2026, 11, 28, 21, 15, 0, 0, time.Local)}
	})
	p.until("its date is shown", `document.querySelector("#session-words").textContent.includes("21:15")`)
	assert.Equal(t, 1, strings.Count(p.text("#session-words"), "2026"), p.text("#session-words"))
	m.be(func(s *control.Snapshot) { s.Session.Name = "crowns" })
	p.until("its name is shown", `document.querySelector("#session-words").textContent.startsWith("“crowns”, since")`)
	assert.Equal(t, 1, strings.Count(p.text("#session-words"), "2026"), p.text("#session-words"))
	assert.Equal(t, []string{"rgb(8, 7, 6)", "rgb(220, 154, 82)"}, eval[[]string](p, `(s => [s.color, s.backgroundColor])(
		getComputedStyle(document.querySelector("#count-input"), "::selection"))`), "8.4:1")
	steps := eval[[]string](p, `[...document.querySelectorAll("#trim .nudge")].map((n) => n.textContent)`)
	assert.Equal(t, []string{"−10ms, earlier", "−5ms, earlier", "−1ms, earlier", "+1ms, later", "+5ms, later",
		"+10ms, later"}, steps)
	p.clean()
}

// On a real board Go stays where it was once it is done: disarm does not come under the finger that pressed it.
func (b *browser) goKeepsItsPlace(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) {
		m.snap.Set.Light.Shutter = shot.ByGo
		m.snap.Preview.Bars = []control.BarView{{Name: "shutter", ToMs: 300, Opening: true}}
	})
	m.be(func(s *control.Snapshot) { s.State, s.NeedsGo = control.Armed, true })
	p.state("armed", "Armed")
	assert.Equal(t, "Open the shutter", p.text("#go"))
	const place = `JSON.stringify(document.querySelector("#disarm").getBoundingClientRect())`
	before := eval[string](p, place)
	m.be(func(s *control.Snapshot) { s.NeedsGo = false })
	p.until("it is done", `document.querySelector("#go").textContent === "Shutter opened"`)
	assert.Equal(t, before, eval[string](p, place))
	assert.True(t, eval[bool](p, `document.querySelector("#go").disabled`))
	p.fit("shutter opened")
	p.clean()
}
