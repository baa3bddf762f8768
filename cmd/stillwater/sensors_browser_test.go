package main

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"

	"stillwater/internal/control"
)

// openSensors unfolds the board's section, and one sensor's meter.
func openSensors(p *phone, role string) {
	p.t.Helper()
	p.place("setup")
	p.js(`document.querySelector("#board-fold").open = true`)
	row := fmt.Sprintf(`#inputs [data-role=%q]`, role)
	p.tap(row + " .sensor")
	p.until("its meter is open", fmt.Sprintf(`document.querySelector('%s .meter').checkVisibility()`, row))
}

// Each sensor is a picture and a word; its meter says it large, with how long it lasted and how often it was.
func (b *browser) sensors(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) {
		m.snap.Inputs = []control.InputView{{Name: "beam", Role: "beam"}, {Name: "microphone", Role: "microphone"},
			{Name: "foot switch", Role: "button", Use: "a press disarms"}, {Name: "stop", Role: "kill"}}
	})
	openSensors(p, "beam")
	const beam = `#inputs [data-role="beam"]`
	assert.Equal(t, "Clear", p.plain(beam+" .meter-word"))
	assert.Equal(t, "Nothing seen yet", p.plain(beam+" .meter-count"))
	assert.False(t, eval[bool](p, `document.querySelector('`+beam+` .finger').checkVisibility()`), "it is a real room")
	still := eval[string](p, `document.querySelector('`+beam+` .sensor-picture').innerHTML`)
	m.be(func(s *control.Snapshot) { s.Inputs[0].Active, s.Inputs[0].Edges = true, 1 })
	p.until("it is broken", `document.querySelector('`+beam+` .meter-word').textContent === "Broken"`)
	assert.NotEqual(t, still, eval[string](p, `document.querySelector('`+beam+` .sensor-picture').innerHTML`),
		"not by colour alone")
	m.be(func(s *control.Snapshot) {
		s.Inputs[0].Active, s.Inputs[0].Edges = false, 2
		s.Inputs[0].Breaks = []control.Break{{At: time.Now().UnixMilli(), LengthMs: 312.4, Pieces: 1}}
	})
	p.until("and was for so long", `document.querySelector('`+beam+` .meter-length').textContent === "last 312.4\u00a0ms"`)
	assert.Equal(t, "Once so far", p.plain(beam+" .meter-count"))

	// 20 arcminutes at two metres are 11.6 mm; phones have about 160 CSS pixels to the inch.
	size := eval[float64](p, `parseFloat(getComputedStyle(document.querySelector('`+beam+` .meter-word')).fontSize)`)
	capital := 0.7 * size * 25.4 / 160 // capitals are about 0.7 of the size of a common sans serif
	t.Logf("the meter's word: %.0f px, capitals of %.1f mm, %.0f arcminutes at 2 m", size, capital, capital/2000*3437.7)

	m.be(func(s *control.Snapshot) {
		s.Inputs[0].Chatter = "chatters, 100 times a second: probably a lamp; shade it"
	})
	p.until("chatter is named", `document.querySelector('`+beam+` .sensor-line').textContent.startsWith("Chatters, 100 ")`)
	p.fit("sensors")
	p.narrow("sensors")
	p.resize(390, 844)

	p.tap(`#inputs [data-role="microphone"] .sensor`)
	const level = `#inputs [data-role="microphone"] .level`
	assert.False(t, eval[bool](p, `document.querySelector('`+level+`').checkVisibility()`), "this board has no level")
	assert.Contains(t, p.plain(`#inputs [data-role="microphone"] .meter`), "trimmer")
	m.be(func(s *control.Snapshot) { s.Inputs[1].Level = &control.LevelView{Now: 40, Peak: 210, Threshold: 60} })
	p.until("this one has", `document.querySelector('`+level+`').checkVisibility()`)
	assert.Contains(t, p.plain(`#inputs [data-role="microphone"] .meter`), "40 now, 210 at most in the last seconds. "+
		"A sound counts above 60.")
	p.enter("#threshold-microphone ~ input", "85")
	cmd := m.await(t, "threshold")
	assert.Equal(t, control.Command{Type: "threshold", Input: "microphone", Level: 85, Epoch: cmd.Epoch}, cmd)
	p.picture("sensors-390")

	p.tap(`#inputs [data-role="button"] .sensor`)
	assert.Contains(t, p.plain(`#inputs [data-role="button"] .meter`), "A press disarms.")
}

// On the simulated rig a finger breaks the beam, and the camera's lag is measured and used.
func TestSensorsOnTheRig(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	d := startMachine(t)
	p := b.phone(t, d.url+"/", 390, 844, true)
	pairWithCode(p, d.code)
	tickCare(p)
	openSensors(p, "beam")
	p.tap(`#inputs [data-role="beam"] .finger`)
	p.until("its length is shown", `/^last 3\d\d\.\d.ms$/.test(
		document.querySelector('#inputs [data-role="beam"] .meter-length').textContent)`)

	p.hold("#lag button", "it measures", `document.querySelector("#lag .stop").checkVisibility()`)
	p.until("the first lag is drawn", `document.querySelector("#lag .histogram")`)
	p.until("three are", `document.querySelector("#lag p[aria-live]").textContent.includes("3 releases")`)
	p.tap("#lag .stop")
	p.until("it is stopped", `!document.querySelector("#lag .stop").checkVisibility()`)
	assert.Contains(t, p.plain("#lag p[aria-live]"), "Ended by a disarm.")
	before := p.value(`[data-field="light.lag"] input`)
	p.tap("#lag > button:last-child")
	p.until("it is in the set", fmt.Sprintf(
		`document.querySelector('[data-field="light.lag"] input').value !== %q`, before))
	p.clean()
}

// The delay and the dry run are chosen before, said on the button, and sent with it.
func (b *browser) howItArms(t *testing.T) {
	answer := make(chan struct{})
	m, p := b.stage(t, func(m *fakeControl) { m.hang = map[string]chan struct{}{"arm": answer} })
	p.place("setup")
	assert.Equal(t, "Hold to arm", p.plain("#arm-word"))
	p.tap(`[data-delay="5"]`)
	assert.Equal(t, "Hold to arm in 5 s", p.plain("#arm-word"))
	p.tap("#arming-dry")
	assert.Equal(t, "Hold: dry run in 5 s", p.plain("#arm-word"))
	p.fit("how it arms")
	p.narrow("how it arms")
	p.resize(390, 844)
	p.hold("#arm", "it was asked for", `document.querySelector("#disarm").checkVisibility()`)
	cmd := m.await(t, "arm")
	assert.Equal(t, control.Command{Type: "arm", Shots: 1, DelayS: 5, Dry: true, Epoch: cmd.Epoch}, cmd)
	close(answer)

	m.be(func(s *control.Snapshot) {
		s.State, s.Reason, s.DryRun = control.Arming, "arming after a delay", true
		s.ArmsAt = time.Now().Add(time.Minute).UnixMilli()
	})
	p.until("it counts down", `/^Arms in (60|5\d)\u00a0s/.test(document.querySelector("#state-next").textContent)`)
	m.be(func(s *control.Snapshot) {
		s.State, s.ArmsAt, s.ArmedLeft = control.Armed, 0, 1
		s.Reason = "dry run, nothing will fire: waiting for the drop at the beam"
	})
	p.state("armed", "Dry run")
	m.be(func(s *control.Snapshot) {
		s.State, s.DryRun, s.Reason = control.Safe, false, "the shots asked for are done"
		s.DryShots = []control.DryShot{{Number: 1, DelayMs: 213.4, Cues: []control.DryCue{},
			Words: "It would have fired 213.4 ms after the edge: flash at 213.3 ms."}}
	})
	p.place("setup")
	p.until("it says when", `document.querySelector("#arming-shots").textContent.includes("It would have fired 213.4")`)
	p.tap(`[data-delay="0"]`)
	p.do(chromedp.Reload())
	p.until("a reload asks for a dry run anew", `document.querySelector("#arm-word")?.textContent === "Hold to arm"`)
}
