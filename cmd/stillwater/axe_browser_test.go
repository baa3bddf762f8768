package main

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/elevation"
	"stillwater/internal/need"
	"stillwater/internal/shot"
)

// violation is a rule that axe found broken, and the nodes it was broken at.
type violation struct {
	ID, Help string
	Nodes    []string
}

// axe loads axe-core into the page.
func axe(t *testing.T) (check func(p *phone, where string) []violation) {
	path := os.Getenv("STILLWATER_AXE")
	if path == "" {
		need.Missing(t, "no axe-core: npm install axe-core, then name its axe.min.js in STILLWATER_AXE")
	}
	script, err := os.ReadFile(path)
	require.NoError(t, err)
	return func(p *phone, where string) []violation {
		p.t.Helper()
		if !eval[bool](p, `typeof axe !== "undefined"`) {
			p.js(string(script) + "\nvoid 0")
		}
		p.js(`window.axeFound = null;
			axe.run().then((r) => { axeFound = r.violations; },
				(e) => { axeFound = [{ id: "axe", help: String(e), nodes: [] }]; });
			void 0`)
		p.until("axe has looked at "+where, `axeFound`)
		return eval[[]violation](p, `axeFound.map((v) => ({ ID: v.id, Help: v.help, Nodes: v.nodes.map((n) => n.html) }))`)
	}
}

// judgedLight is light, focus and framing with a step of each verdict, and all that a step may show.
func judgedLight() *control.Lighting {
	step := func(id, verdict, says, next string, fixes ...control.Fix) control.LightStep {
		return control.LightStep{ID: id, Title: "Title of " + id, Do: "Do this.", Expect: "Nothing right of 19 %.",
			Seen: []string{}, Fields: []string{}, Verdict: verdict, Says: says, Next: next,
			Fixes: append([]control.Fix{}, fixes...)}
	}
	contradicts := step("key", "change", "Two readings contradict each other.", "Measure both again.",
		control.Fix{Field: "flash.seen", Value: "unknown"}, control.Fix{Field: "flash.reading", Value: "none"})
	contradicts.Seen = []string{"flash.seen", "flash.reading"}
	contradicts.Fields = []string{"flash.power", "flash.control"}
	framing := step("framing", "caution", "The liquid takes 17 % of the width.", "Droplets can reach the lens: cover it.")
	framing.Seen = []string{"camera.field_seen"}
	return &control.Lighting{
		Camera: []string{"camera.aperture", "camera.iso", "camera.shutter"}, Drawings: []control.DrawingView{},
		Marks: []control.Marks{{Series: "aperture", Values: []string{"f/11", "f/13", "f/16"}}},
		Steps: []control.LightStep{step("dark", "works", "The room is 8 stops below the flash.", ""), contradicts, framing,
			step("focus", "works", "All of the liquid is sharp in nearly all shots.", ""),
			step("away", "unknown", "Earlier steps are not finished. Not ticked yet: 4 (Focus).", "")},
	}
}

// TestAccessibilityRules: axe-core finds nothing wrong, in each state, in each place, with all that unfolds open.
func TestAccessibilityRules(t *testing.T) {
	t.Parallel()
	check := axe(t)
	b := startBrowser(t)
	m, p := b.stage(t, func(m *fakeControl) {
		m.snap.Elevation = elevation.Draw(m.snap.Set, elevation.Options{ForPage: true}).SVG
	})
	p.state("safe", "Safe")
	everywhere := func(where string) {
		t.Helper()
		for _, place := range []string{"setup", "shoot", "lookback"} {
			p.js(fmt.Sprintf(`document.querySelector('[data-to=%q]').click();
				for (const d of document.querySelectorAll("#%s details")) d.open = true`, place, place))
			p.until("it is there", fmt.Sprintf(`document.querySelector("#%s").checkVisibility()`, place))
			assert.Empty(t, check(p, where+" in "+place), "%s in %s", where, place)
		}
	}
	everywhere("safe")
	armed := func(s *control.Snapshot) { s.ArmedLeft, s.ArmedEnds = 3, s.Sent.Add(5*time.Minute).UnixMilli() }
	shots := func(s *control.Snapshot) {
		s.ShotCount = 2
		s.Shots = []control.ShotView{
			{ID: 2, Number: 2, Status: "late", Problem: "The board was late: nothing was fired.", At: time.Now(),
				Simulated: true, Seen: "black: the flash did not fire", Frame: "7/2",
				Cues: []control.CueView{}},
			{ID: 1, Number: 1, OK: true, Status: "done", At: time.Now(), Verdict: "early", Note: "short", Simulated: true,
				Seen: "the crown at its highest", Frame: "7/1",
				Cues: []control.CueView{{Name: "flash", PlannedMs: 130, ActualMs: 130.01, LateUs: 10}}},
		}
	}
	for _, s := range []struct {
		name, word string
		change     func(*control.Snapshot)
	}{
		{"arming", "Arming", func(s *control.Snapshot) { s.State, s.Reason = control.Arming, "arming" }},
		{"armed", "Armed", func(s *control.Snapshot) { s.State = control.Armed; armed(s) }},
		{"firing", "Firing", func(s *control.Snapshot) { s.State = control.Firing; armed(s) }},
		{"resting", "Resting", func(s *control.Snapshot) { s.State = control.Resting; armed(s); shots(s) }},
		{"safe", "Safe", func(s *control.Snapshot) { s.State, s.Notice = control.Safe, "broken too briefly"; shots(s) }},
		{"fault", "Fault", func(s *control.Snapshot) { s.State, s.Reason = control.Fault, "an output was on for too long" }},
		{"fault", "Fault", func(s *control.Snapshot) {
			s.State, s.Reason = control.Fault, "the kill switch is pressed"
			s.Inputs = []control.InputView{{Name: "beam", Role: "beam"}, {Name: "stop", Role: "kill", Active: true}}
		}},
		{"safe", "Safe", func(s *control.Snapshot) {
			s.State, s.Preview = control.Safe, nil
			s.Refusal = &control.Refusal{Field: "drop.height", Why: "The drop is too low.", Remedy: "Raise it."}
		}},
		{"safe", "Safe", func(s *control.Snapshot) {
			s.Lighting = judgedLight()
			s.Refusal = &control.Refusal{Field: "camera.distance", Why: "It is too near.", Remedy: "Move it back.",
				Fixes: []control.Fix{{Field: "camera.distance", Value: "15 cm"}}}
		}},
		{"safe", "Safe", func(s *control.Snapshot) { *s = ready(); dripping(s) }},
		{"safe", "Safe", func(s *control.Snapshot) { *s = ready(); s.Holder = "phone 9"; s.Asking = []string{"phone 4"} }},
	} {
		m.be(func(snap *control.Snapshot) { s.change(snap) })
		p.state(s.name, s.word)
		everywhere(s.name)
	}

	p.js(`document.querySelector("#arm").replaceChildren()`)
	found := check(p, "a button without a name")
	require.NotEmpty(t, found, "the check can fail")
	assert.True(t, strings.Contains(fmt.Sprint(found), "button-name"), "%v", found)
}

// TestAccessibilityOfFrames: the same for the camera's frames, and for a frame's dialog in each of its states.
func TestAccessibilityOfFrames(t *testing.T) {
	t.Parallel()
	check := axe(t)
	throws := shot.DefaultSet()
	throws.Kind = shot.Throw
	_, p, files := cameraEveningOf(t, startBrowser(t), throws)
	p.openCamera()
	p.choose(".camera input[type=file]", files...)
	p.until("all are matched", `document.querySelector(".camera-counts").textContent.startsWith("8 shots: 7 certain")`)
	assert.Empty(t, check(p, "the frames"))
	p.dialogTo(2)
	assert.Empty(t, check(p, "a frame"))
	p.sayShot(3)
	p.until("it is said", `document.querySelector(".camera-title").textContent.includes("Shot 3, as you said")`)
	assert.Empty(t, check(p, "what a pair changes"))
	p.js(`document.querySelector(".camera-dialog .enlarge").click()`)
	assert.Empty(t, check(p, "a frame enlarged"))
	p.js(`document.querySelector(".camera-dialog .enlarge").click()`)
	p.tap(".camera-reference > summary")
	assert.Empty(t, check(p, "to measure with a frame"))
	for _, what := range []string{"ruler", "spot"} {
		p.tap(".camera-reference ." + what)
		assert.Empty(t, check(p, what))
		p.tap(".camera-marking button:last-child")
	}
	p.js(`document.querySelector(".camera-title").replaceChildren(); document.querySelector(".enlarge").replaceChildren()`)
	assert.NotEmpty(t, check(p, "a button without a name"), "the check can fail")
}
