package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

// Of drops on command those fields are there that have a part in the shot, and what it will do is on one scale.
func (b *browser) dropsOnCommand(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { m.snap.Set.Kind = shot.Drops })
	m.be(func(s *control.Snapshot) { drawn(t, s, "kind", "drops") })
	shown := func(field string) bool {
		return eval[bool](p, `!document.querySelector("#f-`+field+`").closest(".field").hidden`)
	}
	p.until("the set is drawn", `document.querySelector('#elevation [data-field="drops.beam"]')`)
	assert.True(t, shown("drops-meet"))
	assert.False(t, shown("drops-phase"), "of a collision")
	assert.False(t, shown("drops-third-open"), "of two drops")
	assert.True(t, shown("drops-pool_liquid"))
	p.fit("drops")
	p.js(`document.querySelector("#set-seldom").open = true`)
	p.js(`document.querySelector("#f-drops-weighed").scrollIntoView({ block: "center" })`)
	p.enter("#f-drops-weighed", "20 drops 1.1 g at 24 ms")
	sent := m.await(t, "set")
	assert.Equal(t, []string{"drops.weighed", "20 drops 1.1 g at 24 ms"}, []string{sent.Field, sent.Value})
	p.picture("drops-setup")

	m.be(func(s *control.Snapshot) {
		s.Set.Drops.Count, s.Set.Drops.Want, s.Set.Drops.Weighed = 3, shot.WantPhase, "20 drops 1.1 g at 24 ms"
		drawn(t, s, "drops.from", "valve")
	})
	p.until("without a beam none is drawn", `!document.querySelector('#elevation [data-field="drops.beam"]')`)
	assert.False(t, shown("drops-meet"))
	assert.False(t, shown("drops-bore"), "weighed drops need no bore")
	assert.True(t, shown("drops-phase") && shown("drops-third-open"))

	m.be(func(s *control.Snapshot) {
		s.Set.Kind, s.State, s.NeedsGo = shot.Drops, control.Armed, true
		s.Preview.FromGo, s.Preview.DelayMs = true, 495.4
		s.Preview.Marks = []control.Mark{{Name: "Go"}, {Name: "surface", AtMs: 344.3}, {Name: "meeting", AtMs: 488.6},
			{Name: "moment", AtMs: 495.4}}
		s.Preview.Bars = []control.BarView{{Name: "column", FromMs: 397.9, ToMs: 511.1}, {Name: "valve", ToMs: 26},
			{Name: "valve", FromMs: 148.8, ToMs: 174.8}, {Name: "gap", ToMs: 148.8}, {Name: "flash", FromMs: 495.4, ToMs: 505.4}}
	})
	p.until("Go says what it does", `document.querySelector("#go").textContent === "Go: let the drops fall"`)
	m.be(func(s *control.Snapshot) { s.State, s.NeedsGo = control.Safe, false })
	p.reach("#coming-drawing")
	p.until("all is on one scale", `document.querySelectorAll("#coming-drawing .bar:not(.opening)").length === 4`)
	assert.Contains(t, eval[string](p, `document.querySelector("#coming-drawing").textContent`), "gap 148.8")
	require.Contains(t, eval[string](p, `document.querySelector("#coming-drawing").textContent`), "ms after Go")
	list := p.plain("#coming-list")
	for _, says := range []string{"valve from 148.8 to 174.8 ms", "surface at 344.3 ms", "meeting at 488.6 ms",
		"column from 397.9 to 511.1 ms", "gap between two openings: 148.8 ms"} {
		assert.Contains(t, list, says)
	}
	p.picture("drops-coming")

	m.be(func(s *control.Snapshot) {
		s.Preview, s.Refusal = nil, &control.Refusal{Field: "drops.first.open",
			Why: "an opening of 15 ms lets out less than a drop",
			Remedy: "make the first opening at least 6 ms longer, 21 ms, and make the second opening at least 7 ms longer, " +
				"22 ms",
			Fixes: []control.Fix{{Field: "drops.first.open", Value: "21 ms",
				Also: []control.Fix{{Field: "drops.second.open", Value: "22 ms"}}}}}
	})
	const fix = "#coming-refusal .fix"
	p.until("a fix of two changes is one button", `document.querySelector("`+fix+`")`)
	assert.Equal(t, "First opening: 21 ms; Second opening: 22 ms", p.plain(fix))
	p.picture("drops-refused")
	p.tap(fix)
	for _, want := range [][]string{{"drops.first.open", "21 ms"}, {"drops.second.open", "22 ms"}} {
		sent := m.await(t, "set")
		assert.Equal(t, want, []string{sent.Field, sent.Value})
	}
	p.clean()
}

// A collision is called too high or too low, and the gap has its trim in the place of the delay's.
func (b *browser) trimOfTheGap(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) {
		m.snap.Set.Kind = shot.Drops
		made := shotWith(1, "")
		made.Kind, made.Aimed, made.Simulated = shot.Drops, true, true
		made.Seen = "the sheet at its widest, 20 mm above the surface, 8 mm too high"
		m.snap.Shots = []control.ShotView{made}
	})
	p.place("shoot")
	p.tap(`#verdicts [data-verdict="too high"]`)
	assert.Equal(t, record.TooHigh, m.await(t, "verdict").Verdict)
	assert.Contains(t, p.plain("#trim"), "earlier")
	p.tap("#trim .swap")
	assert.Contains(t, p.plain("#trim"), "− lower, + higher")
	m.be(func(s *control.Snapshot) {
		s.Tuning = &control.Tuning{Step: "judge", Facts: []tuning.Fact{}, Gap: &control.GapTuning{TrimMs: -7, Sure: 0.64}}
	})
	p.until("a gap is proposed", `!document.querySelector("#trim .suggested").hidden`)
	p.picture("drops-gap")
	p.tap("#trim .suggested")
	sent := m.await(t, "set")
	assert.Equal(t, []string{"drops.gap_trim", "-7 ms"}, []string{sent.Field, sent.Value})
	p.tap(`#trim [data-nudge="1"]`)
	sent = m.await(t, "set")
	assert.Equal(t, []string{"drops.gap_trim", "1 ms"}, []string{sent.Field, sent.Value})
	p.tap("#trim .swap")
	assert.Contains(t, p.plain("#trim"), "earlier")
	p.picture("drops-delay")
	m.be(func(s *control.Snapshot) { s.Set.Drops.Second.Gap = 0.08 })
	p.until("a gap that is given has no trim", `document.querySelector("#trim .swap").hidden`)
	p.clean()
}
