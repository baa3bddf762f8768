package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/control"
	"stillwater/internal/shot"
)

// dripping has a valve in the set and at the board, so that the set waits for Go.
func dripping(s *control.Snapshot) {
	s.Board.Outputs = []control.OutputView{{Name: "flash", TestMs: 5}, {Name: "shutter", TestMs: 300},
		{Name: "valve", TestMs: 50, PrimeMs: 500}}
	s.Set.Kind = shot.Drops
	s.Preview.Bars = []control.BarView{{Name: "valve", ToMs: 24}, {Name: "flash", FromMs: 130, ToMs: 135}}
}

// A valve is primed by a hold, in Set up, and the page says what was done.
func (b *browser) priming(t *testing.T) {
	m, p := b.stage(t, func(m *fakeControl) { dripping(&m.snap) })
	p.place("setup")
	p.js(`document.querySelector("#board-fold").open = true`)
	assert.Equal(t, 1, eval[int](p, `document.querySelectorAll("#outputs .prime").length`), "only a valve is primed")
	assert.Equal(t, "Hold to prime valve: it runs for 500 ms", p.plain("#outputs .prime"))
	p.tap("#outputs .prime")
	p.until("a tap does nothing", `document.querySelector("#outputs li:last-child p").textContent.includes("Hold it")`)
	_, given := m.last("prime")
	assert.False(t, given)
	x, y := p.at("#outputs .prime")
	p.down(x, y)
	p.until("it is held", `document.querySelector("#outputs .prime").ariaPressed === "true"`)
	p.until("it was held long enough", `!document.querySelector("#outputs .prime").ariaPressed`)
	p.up(x, y)
	assert.Equal(t, "valve", m.await(t, "prime").Output)
	m.be(func(s *control.Snapshot) {
		s.Board.Outputs[2].Tested = "it ran for 500 ms; repeat until it drips at once"
	})
	p.until("what was done is said",
		`document.querySelector("#outputs li:last-child p").textContent.includes("drips at once")`)
	p.fit("priming")
	p.narrow("priming")
	p.reach("#outputs .prime")
	p.picture("priming")
	p.clean()
}

// Go again by itself is offered to sets that wait for Go, said on the button that arms, and over after a reload.
func (b *browser) repeating(t *testing.T) {
	answer := make(chan struct{})
	m, p := b.stage(t, func(m *fakeControl) { m.hang = map[string]chan struct{}{"arm": answer} })
	p.place("setup")
	assert.False(t, eval[bool](p, `document.querySelector("#arming-again").checkVisibility()`), "no Go is needed")
	m.be(dripping)
	p.until("it is offered", `document.querySelector("#arming-again").checkVisibility()`)
	p.tap("#arming-dry")
	p.tap(`[data-repeat="8"]`)
	assert.Equal(t, "Hold to arm, Go every 8 s", p.plain("#arm-word"), "a dry run is not repeated")
	p.fit("how Go is repeated")
	p.narrow("how Go is repeated")
	p.resize(390, 844)
	p.reach(`[data-repeat="8"]`)
	p.picture("repeat-setup")
	p.resize(360, 640)
	p.picture("repeat-360")
	p.tap(`[data-delay="30"]`)
	p.fit("the longest words on the button")
	p.picture("repeat-longest")
	p.tap(`[data-delay="0"]`)
	p.tap("#count-more")
	p.hold("#arm", "it was asked for", `document.querySelector("#disarm").checkVisibility()`)
	cmd := m.await(t, "arm")
	assert.Equal(t, control.Command{Type: "arm", Shots: 2, RepeatS: 8, Epoch: cmd.Epoch}, cmd)
	close(answer)

	m.be(func(s *control.Snapshot) {
		s.State, s.ArmedLeft, s.NeedsGo = control.Armed, 2, true
		s.Reason = "armed: press Go to let the drops fall; after your first Go, again every 8 s, 2 times in all"
		s.Repeat = &control.RepeatView{EveryS: 8, Times: 2, Left: 2}
		s.ArmedEnds = time.Now().Add(time.Minute).UnixMilli()
	})
	p.state("armed", "Armed")
	assert.Equal(t, "Go: let the drops fall", p.plain("#go"))
	p.fit("waits for the first Go")
	p.picture("repeat-armed")
	m.be(func(s *control.Snapshot) {
		s.ArmedLeft, s.Reason = 1, "armed: waiting for drop 2 at the beam; 1 more to come"
		s.Repeat = &control.RepeatView{EveryS: 8, Times: 2, Left: 1, NextAt: time.Now().Add(8 * time.Second).UnixMilli()}
	})
	p.until("the next is said", `document.querySelector("#state-reason").textContent.includes("1 more")`)
	m.be(func(s *control.Snapshot) {
		s.State, s.Repeat, s.Reason = control.Safe, nil, "the shots asked for are done"
	})
	p.state("safe", "Safe")
	p.clean()
}
