package main

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/control"
	"stillwater/internal/record"
)

// greyFrames makes pictures of one grey, but for that of -5, which is not kept; that of endless is never done.
type greyFrames struct{}

const endless = 8

func (greyFrames) Frame(ctx context.Context, _ uint32, clockAt time.Duration, preview bool) ([]byte, error) {
	switch clockAt {
	case endless:
		<-ctx.Done()
		return nil, ctx.Err()
	case -5:
		return nil, record.ErrNotFound
	}
	img := image.NewGray(image.Rect(0, 0, 480, 320))
	draw.Draw(img, img.Bounds(), image.NewUniform(color.Gray{Y: 60}), image.Point{}, draw.Src)
	var out bytes.Buffer
	err := jpeg.Encode(&out, img, nil)
	return out.Bytes(), err
}

const framePlace = `JSON.stringify(document.querySelector("#frame").getBoundingClientRect())`

// TestFrames: the picture of a practice shot stands first in its card, in a place that never changes, with words for
// who cannot see it; a tap shows those of the session.
func TestFrames(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	m, p := b.stage(t, func(*fakeControl) {})
	p.state("safe", "Safe")
	practised := func(frames ...string) {
		m.be(func(s *control.Snapshot) {
			s.Room = &control.Room{}
			s.Shots = nil
			for i, frame := range frames {
				shot := seenShot(len(frames) - i)
				shot.Frame = frame
				s.Shots = append(s.Shots, shot)
			}
		})
	}
	practised("7/1")
	p.js(`document.querySelector('[data-to="shoot"]').click()`)
	p.until("the whole picture is there", `document.querySelector("#frame img").dataset.state === "whole"`)
	place := eval[string](p, framePlace)
	assert.Equal(t, "the sheet 142 mm past the focus spot, 61 mm too high",
		eval[string](p, `document.querySelector("#frame img").alt`))
	assert.True(t, eval[bool](p, `document.querySelector("#frame").getBoundingClientRect().bottom <=
		document.querySelector("#verdicts").getBoundingClientRect().top`), "the verdicts are below it")
	assert.Contains(t, eval[string](p, `document.querySelector("#frame").innerText`), "practice")

	practised("7/8", "7/1")
	p.until("one that is being made says so, and is no black frame",
		`document.querySelector("#frame .frame-says").innerText.includes("Making the picture")`)
	assert.Equal(t, place, eval[string](p, framePlace), "nothing moves")

	practised("7/-5", "7/1")
	p.until("one that is not kept says so",
		`document.querySelector("#frame .frame-says").innerText.includes("No picture of this shot is kept")`)
	assert.Equal(t, place, eval[string](p, framePlace), "nothing moves")

	m.be(func(s *control.Snapshot) {
		s.State, s.ArmedLeft, s.ArmedEnds = control.Armed, 3, s.Sent.Add(5*time.Minute).UnixMilli()
		s.Shots = append([]control.ShotView{seenShot(3)}, s.Shots...)
	})
	p.until("while armed none is shown", `document.querySelector("#shot").dataset.number === "3" &&
		!document.querySelector("#frame").checkVisibility()`)
	assert.False(t, eval[bool](p, `document.querySelector("#frame img").hasAttribute("src")`), "nor asked for")
	m.be(func(s *control.Snapshot) { s.State = control.Safe })
	p.until("then it comes", `document.querySelector("#frame img").dataset.state === "whole"`)

	p.js(`document.querySelector("#frame").click()`)
	p.until("those of the session are there to flick through", `document.querySelector("#frames").open &&
		document.querySelectorAll("#frames figure").length === 3 &&
		document.querySelector("#frames figure:last-child img").dataset.state === "whole"`)
	m.be(func(s *control.Snapshot) { s.State = control.Armed })
	p.until("arming closes it", `!document.querySelector("#frames").open`)
}
