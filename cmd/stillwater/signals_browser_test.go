package main

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/control"
	"stillwater/internal/proctest"
)

// recordSignals keeps what the page would sound, vibrate and speak, as far as the browser can be asked: "tone 660",
// "vibrate 80,60,240".
const recordSignals = `window.played = [];
((start) => {
	OscillatorNode.prototype.start = function (at) { played.push("tone " + this.frequency.value); start.call(this, at); };
})(OscillatorNode.prototype.start);
Object.defineProperty(navigator, "vibrate", { configurable: true,
	value: (pattern) => { played.push("vibrate " + pattern); return true; } });
Object.defineProperty(window, "speechSynthesis", { configurable: true,
	value: { speak: (words) => played.push("speak " + words.text) } });
Object.defineProperty(navigator, "wakeLock", { configurable: true, value: { request: async (what) => {
	played.push("keeps on the " + what);
	return { released: false, release: async () => { played.push("may go dark"); } };
} } });
void 0;
`

// Somebody across the room hears and feels each thing that happens; all of it is off until it is switched on here.
func (b *browser) signals(t *testing.T) {
	m, p := b.stage(t, func(*fakeControl) {})
	p.state("safe", "Safe")
	p.js(recordSignals)
	played := func(what string, want ...string) {
		t.Helper()
		for _, sign := range want {
			p.until(what+": "+sign, fmt.Sprintf(`played.includes(%q)`, sign))
		}
		p.js(`played.length = 0`)
	}
	become := func(state control.State, word string, change func(*control.Snapshot)) {
		m.be(func(s *control.Snapshot) { s.State, s.Sent = state, time.Now(); change(s) })
		p.state(string(state), word)
	}
	armed := func(s *control.Snapshot) { s.ArmedLeft, s.ArmedEnds = 3, s.Sent.Add(5*time.Minute).UnixMilli() }
	same := func(*control.Snapshot) {}

	become(control.Armed, "Armed", armed)
	become(control.Safe, "Safe", same)
	assert.Equal(t, []string{"keeps on the screen", "may go dark"}, eval[[]string](p, `played.splice(0)`),
		"nothing sounds at first")

	p.tap(`[data-to="setup"]`)
	p.tap("#phone-fold > summary")
	p.tap(`[data-switch="sound"]`)
	played("switched on, it says how it sounds", "tone 660", "tone 990")
	p.tap(`[data-switch="vibrate"]`)
	played("vibration too", "vibrate 80,60,240")
	p.tap(`[data-count="spoken"]`)
	played("and the count", "speak 3 left")
	p.picture("signals-390")
	p.fit("signals")
	p.narrow("signals")

	become(control.Arming, "Arming", func(s *control.Snapshot) { s.ArmsAt = s.Sent.Add(3 * time.Second).UnixMilli() })
	played("a countdown", "tone 880", "vibrate 40")
	m.be(func(s *control.Snapshot) { s.ArmsAt = 0 })
	become(control.Armed, "Armed", armed)
	played("armed", "tone 660", "tone 990", "vibrate 80,60,240", "keeps on the screen")
	become(control.Firing, "Firing", armed)
	played("seen", "tone 1320", "vibrate 50")
	become(control.Armed, "Armed", func(s *control.Snapshot) {
		s.ShotCount, s.ArmedLeft = 1, 2
		s.Shots = []control.ShotView{{ID: 1, Number: 1, OK: true, Status: "done", At: time.Now(), Cues: []control.CueView{}}}
	})
	played("fired", "tone 784", "vibrate 320", "speak 2 left")
	m.be(func(s *control.Snapshot) { s.Notice = "the beam was broken for 0.4 ms: nothing was fired" })
	played("rejected", "tone 392", "vibrate 80,60,80,60,80")
	become(control.Safe, "Safe", func(s *control.Snapshot) { s.ArmedLeft, s.ArmedEnds = 0, 0 })
	played("disarmed", "tone 990", "tone 660", "vibrate 240,60,80", "may go dark")
	become(control.Fault, "Fault", same)
	played("fault", "tone 294", "vibrate 300,60,300,60,300")
	become(control.Safe, "Safe", same)

	p.tap(`[data-to="setup"]`)
	p.tap(`[data-signal="disarmed"]`)
	played("a picture is tried", "tone 660", "vibrate 240,60,80")
	assert.Equal(t, "While armed this phone's screen stays on.", p.text("#phone-awake"))

	p.js(`location.reload()`)
	p.until("it is shown again", `document.querySelector("#phone-fold")?.open`)
	p.state("safe", "Safe")
	assert.Equal(t, "true", eval[string](p, `document.querySelector('[data-switch="sound"]').ariaChecked`))
	p.js(recordSignals + `Object.defineProperty(navigator, "wakeLock", { value: undefined }); void 0`)
	p.tap("#phone h3")
	become(control.Armed, "Armed", armed)
	played("after a reload and a touch it sounds again", "tone 660")
	p.until("a browser that lets the screen go dark is said to",
		`document.querySelector("#phone-awake").textContent.includes("what is armed is disarmed")`)
	p.clean()
}

// The page reports that nobody can see it, and others see who is away.
func (b *browser) lockedPhone(t *testing.T) {
	m, p := b.stage(t, func(*fakeControl) {})
	p.state("safe", "Safe")
	said := func(hidden bool) func() bool {
		return func() bool { cmd, ok := m.last("page"); return ok && cmd.Hidden == hidden }
	}
	for _, hidden := range []bool{true, false} {
		p.js(fmt.Sprintf(`Object.defineProperty(document, "hidden", { configurable: true, value: %t });
			document.dispatchEvent(new Event("visibilitychange"))`, hidden))
		proctest.Eventually(t, "the page says whether it is seen", said(hidden))
	}
	m.be(func(s *control.Snapshot) {
		s.State, s.Holder, s.Away, s.Sent = control.Armed, "phone 9", true, time.Now()
		s.ArmedLeft, s.ArmedEnds = 3, s.Sent.Add(5*time.Minute).UnixMilli()
	})
	p.until("who is away is said",
		`document.querySelector("#state-notice").textContent.includes("Phone 9 is locked or gone")`)
	p.picture("locked-phone")
	p.clean()
}
