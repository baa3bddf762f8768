package main

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/control"
	"stillwater/internal/proctest"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/strip"
	"stillwater/internal/tuning"
)

// practising has the page of a simulated room, with so many shots.
func practising(shots int) func(*control.Snapshot) {
	return func(s *control.Snapshot) {
		s.Set.Kind = shot.Throw
		s.Room = &control.Room{In: "kitchen", Paces: []int{4, 6, 10, 20}, Rooms: []control.Choice{
			{Value: "still", Label: "Still", Hint: "Nothing goes wrong."},
			{Value: "kitchen", Label: "Kitchen", Hint: "An ordinary evening."}}}
		s.Shots = []control.ShotView{}
		for n := shots; n > 0; n-- {
			one := seenShot(n)
			one.Measurable, one.FieldMm = true, 620
			s.Shots = append(s.Shots, one)
		}
		s.ShotCount = shots
	}
}

// asked waits for a command that is as wanted.
func asked(t *testing.T, m *fakeControl, what string, wanted func(control.Command) bool) (sent control.Command) {
	t.Helper()
	proctest.Eventually(t, "the command "+what, func() (ok bool) {
		sent, ok = m.last(what)
		return ok && wanted(sent)
	})
	return sent
}

// TestPractice: what practice has on the page, on a phone.
func TestPractice(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	for name, does := range map[string]func(*testing.T){
		"mark": b.practiceMark, "pace": b.practicePace, "dry": b.dryRunHasNoGo,
		"what happened": b.whatHappened, "rooms": b.practiceRooms, "sweep": b.sweepOnPage,
		"strip": b.stripOfFrames, "judged first": b.judgedFirst, "collision": b.collisionFits,
		"drag": b.dragPicture, "typed": b.typedMeasurement,
		"long problem": b.longProblem, "judging at a pace": b.judgingAtAPace,
		"places":  b.betterPlaces,
		"summary": b.sessionSummary,
	} {
		t.Run(name, func(t *testing.T) { t.Parallel(); does(t) })
	}
}

// Practice and the real thing each say in a word which they are, in every place and state, and nothing else differs.
func (b *browser) practiceMark(t *testing.T) {
	m, p := b.stage(t, func(*fakeControl) {})
	for _, size := range sizes {
		p.resize(size[0], size[1])
		for word, change := range map[string]func(*control.Snapshot){"Practice": practising(0),
			"Real": func(s *control.Snapshot) { s.Room = nil }} {
			for _, state := range []control.State{control.Safe, control.Armed} {
				m.be(func(s *control.Snapshot) {
					*s = ready()
					change(s)
					s.State, s.ArmedLeft, s.ArmedEnds = state, 3, s.Sent.UnixMilli()+300_000
				})
				p.until("the mark says which", fmt.Sprintf(`document.querySelector("#mark-word").textContent === %q &&
					document.documentElement.dataset.state === %q`, word, state))
				p.everyPlace(func(place string) {
					assert.True(t, eval[bool](p, `(n => { const r = n.getBoundingClientRect();
						const at = document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2);
						return n.checkVisibility() && r.width >= 40 && r.height >= 20 && (n === at || n.contains(at));
					})(document.querySelector("#mark"))`), "%s, %s, %s at %v", word, state, place, size)
					p.fit(fmt.Sprintf("%s, %s, %s", word, state, place))
					p.picture(fmt.Sprintf("mark-%d-%s-%s-%s", size[0], word, state, place))
				})
			}
		}
	}
	assert.Contains(t, eval[string](p, `document.querySelector("#mark").textContent`), ":", "and what that means")
	p.clean()
}

// The pace goes with the command to arm, only in practice.
func (b *browser) practicePace(t *testing.T) {
	answer := make(chan struct{})
	m, p := b.stage(t, func(m *fakeControl) {
		practising(0)(&m.snap)
		m.hang = map[string]chan struct{}{"arm": answer}
	})
	p.state("safe", "Safe")
	p.place("setup")
	p.tap(`#arming-pace [data-pace="6"]`)
	m.be(func(s *control.Snapshot) {
		s.Room.Paces, s.Room.PaceSays = []int{8, 10, 20, 40}, "8 s at least: the shutter is open for 7 s each time."
	})
	p.until("one that is too short becomes the next longer", `
		/one every 8\ss/.test(document.querySelector("#arm-word").textContent) &&
		document.querySelector('#arming-pace [data-pace="8"]').getAttribute("aria-pressed") === "true" &&
		/is open for 7\ss/.test(document.querySelector("#arming-pace-why").textContent)`)
	m.be(func(s *control.Snapshot) { s.Room.Paces, s.Room.PaceSays = []int{4, 6, 10, 20}, "" })
	p.tap(`#arming-pace [data-pace="6"]`)
	p.place("shoot")
	p.until("the button says it", `/one every 6\ss/.test(document.querySelector("#arm-word").textContent)`)
	p.hold("#arm", "it is asked for", `document.querySelector("#disarm").checkVisibility()`)
	asked(t, m, "arm", func(sent control.Command) bool { return sent.PaceS == 6 })
	close(answer)
	m.be(func(s *control.Snapshot) { *s = ready() })
	p.until("not for real", `!document.querySelector("#arm-word").textContent.includes("every")`)
	p.clean()
}

// A dry run opens nothing: no Go is asked for in it, and none is shown as given. That is said before.
func (b *browser) dryRunHasNoGo(t *testing.T) {
	opens := func(s *control.Snapshot) {
		practising(0)(s)
		s.Preview.Bars = []control.BarView{{Name: "shutter", ToMs: 300, Opening: true}}
	}
	m, p := b.stage(t, func(m *fakeControl) { opens(&m.snap) })
	p.state("safe", "Safe")
	p.place("setup")
	p.until("it is said", `document.querySelector("#arming-dry-why").checkVisibility()`)
	armed := func(dry bool) func(*control.Snapshot) {
		return func(s *control.Snapshot) {
			opens(s)
			s.State, s.ArmedLeft, s.ArmedEnds = control.Armed, 3, s.Sent.UnixMilli()+300_000
			s.DryRun, s.NeedsGo = dry, !dry
		}
	}
	m.be(armed(false))
	p.until("for real it opens the shutter", `document.querySelector("#go").checkVisibility() &&
		document.querySelector("#go").textContent === "Open the shutter"`)
	m.be(armed(true))
	p.until("dry there is nothing to open", `document.querySelector("#go").hidden &&
		document.querySelector("#disarm").checkVisibility()`)
	p.clean()
}

// The figures of a shot begin with what happened, not with what was planned.
func (b *browser) whatHappened(t *testing.T) {
	took, speed := 62.1, 3.214
	_, p := b.stage(t, func(m *fakeControl) {
		practising(1)(&m.snap)
		s := &m.snap.Shots[0]
		s.IntervalMs, s.SpeedMS = &took, &speed
		s.Cues = []control.CueView{{Name: "flash", PlannedMs: 26.3, ActualMs: 26.317}}
	})
	p.reach("#note")
	p.until("it is said", `document.querySelector(".figures p").textContent.replaceAll("\u00a0", " ").includes(
		"It went from beam to beam in 62.10 ms, at 3.21 m/s. The flash fired 26.32 ms after the second beam.")`)
	p.narrow("what happened")
	p.clean()
}

// While a pace runs the last shot is judged: its picture is seen, and comes between two shots; the strip stays shut, as
// it would cover what disarms.
func (b *browser) judgingAtAPace(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { practising(1)(&m.snap) })
	p.state("safe", "Safe")
	p.place("shoot")
	paced := func(shots int) func(*control.Snapshot) {
		return func(s *control.Snapshot) {
			practising(shots)(s)
			s.State, s.ArmedLeft, s.ArmedEnds = control.Armed, 5, s.Sent.UnixMilli()+300_000
			s.Room.NextAt, s.Reason = s.Sent.UnixMilli()+6000, "armed: waiting for the sheet at the gate, one every 6 s"
		}
	}
	m.be(paced(1))
	p.state("armed", "Armed")
	for i, size := range phones {
		p.resize(size[0], size[1])
		m.be(paced(2 + i))
		p.until("the picture of the shot that came", fmt.Sprintf(`document.querySelector("#shot").dataset.number === "%d" &&
			document.querySelector("#frame").checkVisibility() &&
			document.querySelector("#frame img").dataset.state === "whole"`, 2+i))
		p.tap("#frame")
		p.tap(`#verdicts [data-verdict="late"]`)
		sent := asked(t, m, "verdict", func(sent control.Command) bool { return sent.Shot == int64(2+i) })
		assert.Equal(t, record.Late, sent.Verdict)
		assert.False(t, eval[bool](p, `document.querySelector("#frames").open`))
		assert.True(t, eval[bool](p, `document.querySelector("#shot .seen").checkVisibility()`), "and in words")
		p.fit("judging at a pace")
		assert.LessOrEqual(t, eval[float64](p, `(n => n.scrollHeight - n.clientHeight)(document.querySelector("#shoot"))`),
			0., "nothing is cut off at %v", size)
		p.picture(fmt.Sprintf("practice-paced-%d", size[0]))
		p.js(`dispatchEvent(new PointerEvent("pointerdown"))`) // elsewhere: the next may come
	}
	m.be(func(s *control.Snapshot) { s.Room.NextAt = 0 })
	p.until("without a pace it is dark", `!document.querySelector("#frame").checkVisibility()`)
	p.clean()
}

func (b *browser) practiceRooms(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { practising(0)(&m.snap) })
	p.state("safe", "Safe")
	p.place("setup")
	p.until("the room it is", `document.querySelector('[data-room="kitchen"]').ariaPressed === "true"`)
	p.tap(`[data-room="still"]`)
	asked(t, m, "enter", func(sent control.Command) bool { return sent.Name == "still" })
	m.be(func(s *control.Snapshot) { s.Room = nil })
	p.until("a real room has none", `document.querySelector("#practice").hidden`)
	p.clean()
}

// Where a throw's beams had better be is said below the set, with a button that puts them there.
func (b *browser) betterPlaces(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { practising(0)(&m.snap) })
	p.state("safe", "Safe")
	p.place("setup")
	assert.False(t, eval[bool](p, `document.querySelector("#better").checkVisibility()`))
	m.be(func(s *control.Snapshot) {
		preview := *s.Preview
		preview.Places = "With 20 cm between the beams, the second 8 cm before the focus spot, and the flash firing in the " +
			"dark, the shutter opened beforehand, about 97 of 100 throws would be within 15 mm of it, once trimmed; with " +
			"this set about 5. Beams so near may show in the frame."
		s.Preview = &preview
	})
	p.until("it is said", `document.querySelector("#better-words").checkVisibility()`)
	for _, size := range phones {
		p.resize(size[0], size[1])
		p.js(`document.querySelector("#better").scrollIntoView({ block: "center" })`)
		p.fit("better places")
		p.picture(fmt.Sprintf("practice-places-%d", size[0]))
	}
	p.tap("#better-use")
	asked(t, m, "places", func(control.Command) bool { return true })
	p.clean()
}

// A sweep is begun in Set up and seen, and ended, in Shoot, where nothing scrolls for it.
func (b *browser) sweepOnPage(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { practising(1)(&m.snap) })
	p.state("safe", "Safe")
	p.place("setup")
	p.tap("#sweep-fold > summary")
	for field, value := range map[string]string{"from": "-12", "to": "12,5", "step": "2.5", "each": "3"} {
		p.enter("#sweep-"+field, value)
	}
	p.tap("#sweep-shuffled")
	p.tap(`#sweep-form [type="submit"]`)
	sent := asked(t, m, "sweep", func(sent control.Command) bool { return sent.Shuffled })
	assert.Equal(t, []any{-12.0, 12.5, 2.5, 3, true}, []any{sent.FromMs, sent.ToMs, sent.StepMs, sent.Each, sent.Shuffled})
	p.enter("#sweep-step", "much")
	p.tap(`#sweep-form [type="submit"]`)
	p.until("what does not work is said", `document.querySelector("#sweep-refusal").textContent.includes("much")`)
	m.be(func(s *control.Snapshot) {
		s.Sweep = &control.SweepView{Tries: 30, Done: 4, AtMs: -2.5, Words: "Sweep."}
	})
	p.place("shoot")
	for _, size := range phones {
		p.resize(size[0], size[1])
		p.until("where it is", `document.querySelector("#sweep-stop").innerText.includes("5/30")`)
		assert.Zero(t, eval[float64](p, `(n => n.scrollHeight - n.clientHeight)(
			document.querySelector("#shoot"))`), "%v", size)
		p.picture(fmt.Sprintf("practice-sweep-%d", size[0]))
	}
	p.tap("#sweep-stop")
	asked(t, m, "sweep", func(sent control.Command) bool { return sent.Each == 0 })
	p.clean()
}

// Why a shot gets no verdict is read whole beside its picture, on the narrowest phone too.
func (b *browser) longProblem(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { practising(2)(&m.snap) })
	p.state("safe", "Safe")
	p.place("shoot")
	for i, words := range []string{
		"The machine, not the delay, was late: the flash came 123.4 ms late, more than shots of this set " +
			"differ by anyway, 12.3 ms. Leave the trim as it is and shoot again; this shot is not counted.",
		"The machine could not switch in time and gave the shot up. It says nothing about the delay: leave the trim as it " +
			"is, " +
			"and shoot again. If it happens often, let the machine do less; \"stillwater lateness\" measures it.",
	} {
		m.be(func(s *control.Snapshot) { s.Shots[0].Problem, s.Shots[0].LateMs = words, 123.4 })
		for _, size := range phones {
			p.resize(size[0], size[1])
			p.until("it is there", fmt.Sprintf(`document.querySelector("#shot .problem").textContent.endsWith(%q)`,
				words[150:]))
			p.fit("a long problem")
			p.picture(fmt.Sprintf("practice-problem-%d-%d", i, size[0]))
			assert.True(t, eval[bool](p, `(n => {
				const r = n.getBoundingClientRect(), now = n.closest(".now").getBoundingClientRect();
				return n.scrollHeight <= n.clientHeight && r.top >= now.top && r.bottom <= now.bottom + 1;
			})(document.querySelector("#shot .problem"))`), "%d at %v", i, size)
		}
	}
	p.clean()
}

// The session's frames are flicked through; the verdict is given below the one in sight, by buttons that keep their
// places whatever is in sight and was said.
func (b *browser) stripOfFrames(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { practising(4)(&m.snap) })
	p.state("safe", "Safe")
	p.place("shoot")
	p.tap("#frame")
	p.until("the newest is in sight", `document.querySelector("#strip-words")?.textContent.includes("No. 4")`)
	const places = `[...document.querySelectorAll("#frames :is(.verdicts, .strip-steps) button, #frames .measure")]
		.map((n) => { const r = n.getBoundingClientRect(); return [r.x, r.y, r.width, r.height].join(); }).join(" ")`
	judged := int64(0)
	for _, size := range [][2]int64{{390, 844}, {360, 640}} {
		p.resize(size[0], size[1])
		at := eval[string](p, places)
		p.tap(`#frames [data-verdict="good"]`)
		sent := asked(t, m, "verdict", func(sent control.Command) bool { return sent.Shot != judged })
		judged = sent.Shot
		assert.Equal(t, record.Good, sent.Verdict)
		shown := eval[string](p, `document.querySelector("#strip-words").textContent.match(/No\. (\d)/)[1]`)
		assert.Equal(t, shown, fmt.Sprint(sent.Shot))
		m.be(func(s *control.Snapshot) {
			for i := range s.Shots {
				if s.Shots[i].ID == sent.Shot {
					s.Shots[i].Verdict = record.Good
				}
			}
		})
		p.until("it is shown", `document.querySelector('#frames [data-verdict="good"]').ariaPressed === "true"`)
		assert.Equal(t, at, eval[string](p, places), "at %v", size)
		p.fit("strip of frames")
		p.picture(fmt.Sprintf("practice-strip-%d", size[0]))
		ends := eval[[]bool](p, `[...document.querySelectorAll("#frames .strip-steps [aria-label]")].map((n) =>
			n.ariaDisabled === "true")`)
		assert.Equal(t, []bool{shown == "1", shown == "4"}, ends, "at an end there is no way on")
		p.tap(`#frames [aria-label="Older picture"]`)
		p.until("the next one comes", fmt.Sprintf(
			`!document.querySelector("#strip-words").textContent.includes("No. %s")`, shown))
		assert.Equal(t, at, eval[string](p, places), "at %v", size)
	}
	p.clean()
}

// After a collision, with what was learned and what comes next below its card, Shoot needs no scrolling on a phone.
func (b *browser) collisionFits(t *testing.T) {
	_, p := b.stage(t, func(m *fakeControl) {
		practising(3)(&m.snap)
		m.snap.Set.Kind = shot.Drops
		for i := range m.snap.Shots {
			m.snap.Shots[i].Kind, m.snap.Shots[i].Aimed = shot.Drops, true
			m.snap.Shots[i].Seen = "the sheet 1.4 ms before its widest, 12 mm above the surface, 2 mm too high"
		}
		plan := tuning.Plan{Low: -14e6, High: 16e6, Scatter: 4e6, Tolerance: 5e6, Delay: 96e6, Whose: "the splash's own"}
		tries := []tuning.Try{{At: 0, Verdict: "late"}, {At: 0, Verdict: "late"}}
		a := tuning.Learn(plan, tries, 0)
		m.snap.Tuning = &control.Tuning{Step: string(a.Step), Line: a.Line, Words: a.Words, Facts: a.Facts,
			Strip: strip.Draw(strip.FromTries(plan, tries, a), strip.Options{ForPage: true}).SVG}
	})
	p.state("safe", "Safe")
	p.place("shoot")
	p.resize(390, 844)
	p.until("what was learned is there", `document.querySelector("#learned").checkVisibility()`)
	p.picture("practice-collision-390")
	assert.LessOrEqual(t, eval[float64](p, `(n => n.scrollHeight - n.clientHeight)(document.querySelector("#shoot"))`), 0.)
	p.clean()
}

// What a practice picture shows is not said before its verdict is given, or it is asked for.
func (b *browser) judgedFirst(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) {
		practising(2)(&m.snap)
		for i := range m.snap.Shots {
			m.snap.Shots[i].Verdict = ""
		}
	})
	p.state("safe", "Safe")
	p.place("shoot")
	p.until("the picture is there", `document.querySelector("#frame img").dataset.state === "whole"`)
	const said = `document.querySelector("#shoot").innerText + document.querySelector("#frame").ariaLabel +
		document.querySelector("#frame img").alt`
	const places = `[...document.querySelectorAll("#verdicts button, #trim button")].map((n) =>
		JSON.stringify(n.getBoundingClientRect())).join()`
	for _, size := range phones {
		p.resize(size[0], size[1])
		assert.NotContains(t, eval[string](p, said), "142")
		p.fit("before a verdict")
		p.picture(fmt.Sprintf("practice-untold-%d", size[0]))
	}
	before := eval[string](p, places)
	p.tap("#shot .tell")
	p.until("it is said", `/142.mm past/.test(document.querySelector("#shot .seen-words").innerText)`)
	assert.Equal(t, before, eval[string](p, places), "nothing moves")
	p.tap("#frame")
	p.until("there too", `/142.mm past/.test(document.querySelector("#strip-words").innerText)`)
	p.tap(`#frames [aria-label="Older picture"]`)
	p.until("the older one waits", `document.querySelector("#strip-words").innerText.includes("No. 1")`)
	assert.NotContains(t, eval[string](p, `document.querySelector("#frames").innerText`), "142")
	p.fit("strip before a verdict")
	p.picture("practice-strip-untold")
	p.tap(`#frames [data-verdict="late"]`)
	sent := asked(t, m, "verdict", func(control.Command) bool { return true })
	assert.EqualValues(t, 1, sent.Shot)
	m.be(func(s *control.Snapshot) { s.Shots[1].Verdict = record.Late })
	p.until("its verdict brings the words", `/142.mm past/.test(document.querySelector("#strip-words").innerText)`)
	p.clean()
}

// A picture is dragged to where the liquid should have been: back by 60 px of 620 mm over its width.
func (b *browser) dragPicture(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { practising(2)(&m.snap) })
	p.state("safe", "Safe")
	p.place("shoot")
	p.tap("#frame")
	p.until("the picture is there", `document.querySelector("#frames figure:last-child img")?.dataset.state === "whole"`)
	p.tap("#frames .measure")
	p.until("it is on", `document.querySelector("#frames figure:last-child > .frame").hasAttribute("data-measuring")`)
	x, y := p.at("#frames figure:last-child > .frame")
	p.down(x, y)
	p.move(x-30, y)
	p.move(x-60, y)
	p.until("it says how far",
		`document.querySelector("#frames figure:last-child .dragged").textContent.includes("past its place, ±")`)
	p.picture("practice-drag")
	p.up(x-60, y)
	p.until("it is back", `document.querySelector("#frames figure:last-child .dragged").textContent === ""`)
	wide := eval[float64](p, `document.querySelector("#frames figure:last-child > .frame").clientWidth`)
	sent := asked(t, m, "measure", func(control.Command) bool { return true })
	assert.EqualValues(t, 2, sent.Shot)
	assert.InDelta(t, 60*620/wide, sent.PastMm, 0.1)
	assert.InDelta(t, 5*620/wide, sent.PastSDMm, 0.1)
	past, sd := sent.PastMm, sent.PastSDMm
	m.be(func(s *control.Snapshot) { s.Shots[0].PastMm, s.Shots[0].PastSDMm = &past, &sd })
	p.until("it is shown", `document.querySelector("#strip-measured").textContent.startsWith("Measured: ")`)

	p.js(`document.querySelector("#frames figure:last-child > .frame").focus()`)
	for range 3 {
		p.js(`document.activeElement.dispatchEvent(new KeyboardEvent("keydown", { key: "ArrowRight", bubbles: true }))`)
	}
	p.js(`document.activeElement.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter", bubbles: true }))`)
	p.until("by keys too", `document.querySelector("#frames figure:last-child .dragged").textContent === ""`)
	sent = asked(t, m, "measure", func(sent control.Command) bool { return sent.PastMm < 0 })
	assert.InDelta(t, -3*620/wide, sent.PastMm, 0.1, "it was short by as much")
	p.clean()
}

// In a real evening what was measured in the camera's picture is typed: with how well that is known, or as a ruler is
// read; it is taken back, and what is no number is refused where it was typed.
func (b *browser) typedMeasurement(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) {
		practising(1)(&m.snap)
		m.snap.Room, m.snap.Shots[0].Frame, m.snap.Shots[0].Simulated, m.snap.Shots[0].Seen = nil, "", false, ""
	})
	p.state("safe", "Safe")
	p.place("shoot")
	p.tap("#shot-fold > summary")
	for _, c := range []struct {
		past, sd     string
		pastMm, sdMm float64
	}{{"-12,5", "", -12.5, 5}, {"7 mm", "2", 7, 2}, {"", "2", 0, 0}} {
		p.enter("#past-sd", c.sd)
		p.enter("#past", c.past)
		sent := asked(t, m, "measure", func(sent control.Command) bool {
			return sent.PastMm == c.pastMm && sent.PastSDMm == c.sdMm
		})
		assert.EqualValues(t, 1, sent.Shot)
	}
	for _, typed := range []string{"near", "1e999", "mm", "0x10"} {
		p.enter("#past", typed)
		p.until("no number", fmt.Sprintf(
			`document.querySelector("#past-refusal").textContent.includes("“%s” is not a number")`, typed))
	}
	p.enter("#past-sd", "0")
	p.enter("#past", "7")
	p.until("nothing is that certain",
		`document.querySelector("#past-refusal").textContent.includes("without uncertainty")`)
	past, sd := -12.5, 5.
	m.be(func(s *control.Snapshot) { s.Shots[0].PastMm, s.Shots[0].PastSDMm = &past, &sd })
	p.js(`document.activeElement.blur()`)
	m.be(func(s *control.Snapshot) { s.Notice = "again" })
	p.until("what is on record is shown", `document.querySelector("#past").value === "−12.5"`)
	assert.False(t, eval[bool](p, `document.querySelector("#past-refusal").checkVisibility()`))
	for _, size := range phones {
		p.resize(size[0], size[1])
		p.js(`document.querySelector("#measured").scrollIntoView({ block: "end" })`)
		p.fit("a measurement")
		p.picture(fmt.Sprintf("practice-typed-%d", size[0]))
	}
	m.be(func(s *control.Snapshot) { s.Shots[0].Measurable = false })
	p.until("at a turning point nothing is measured", `!document.querySelector("#past").checkVisibility()`)
	p.clean()
}

// At the end: the rate, the delay that was found, the spread, what limited it, the tries as a strip and the pictures.
func (b *browser) sessionSummary(t *testing.T) {
	m, p := b.stage(t, func(*fakeControl) {})
	p.state("safe", "Safe")
	plan := tuning.Plan{Low: -14e6, High: 16e6, Scatter: 4e6, Tolerance: 5e6, Delay: 96e6, Whose: "the throws' own",
		Limits: []tuning.Limit{{Name: "ragged edge at the gate", SD: 3e6}}}
	var tries []tuning.Try
	for _, v := range []record.Verdict{"good", "good", "late", "good", "early", "early", "early", "late"} {
		tries = append(tries, tuning.Try{At: 6e6, Verdict: v})
	}
	a := tuning.Learn(plan, tries, 6e6)
	m.be(func(s *control.Snapshot) {
		practising(8)(s)
		s.Tuning = &control.Tuning{Step: string(a.Step), Line: a.Line, Words: a.Words, Facts: a.Facts,
			Strip: strip.Draw(strip.FromTries(plan, tries, a), strip.Options{ForPage: true}).SVG}
	})
	p.place("setup")
	p.tap("#session [data-summary]")
	for _, size := range phones {
		p.resize(size[0], size[1])
		p.until("all of it is there", `document.querySelector("#summary").open &&
			document.querySelectorAll("#summary .thumbnails .frame").length === 8 &&
			document.querySelector("#summary svg.tries")`)
		words := eval[string](p, `document.querySelector("#summary").innerText`)
		for _, part := range []string{"practice", "8 shots", "Good", "3 of 8 judged", "0 of the first 4, 3 of the last 4",
			"Delay found", "Spread", "(SD) from shot to shot", "What limits it"} {
			assert.Contains(t, words, part)
		}
		p.fit("summary")
		p.picture(fmt.Sprintf("practice-summary-%d", size[0]))
	}
	assert.Contains(t, p.text("#summary"), "What the throws say")
	p.js(`document.querySelector("#summary").close()`)
	m.be(func(s *control.Snapshot) { s.Shots[0].Kind, s.Shots[1].Kind = shot.Drop, shot.Drop })
	p.tap("#session [data-summary]")
	p.until("each kind is counted",
		`document.querySelector("#summary").textContent.includes("8 shots (2 drops, 6 throws):")`)
	p.tap("#summary .thumbnails .frame:nth-child(7)")
	p.until("a picture leads to the strip", `document.querySelector("#frames").open &&
		document.querySelector("#strip-words").textContent.includes("No. 7")`)
	p.js(`document.querySelector("#frames").close()`)
	p.clean()
}
