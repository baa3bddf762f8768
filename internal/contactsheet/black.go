package contactsheet

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/internal/frames"
	"stillwater/internal/lighting"
	"stillwater/internal/look"
	"stillwater/internal/optics"
	"stillwater/internal/shot"
)

// Room is what a frame with the flash off says of the room's light.
type Room struct {
	Frame       string       `json:"frame"`
	OpenS       float64      `json:"open_s"`       // how long its shutter was open, as EXIF has it
	Seen        optics.Level `json:"seen"`         // the brightest of all but one pixel in a thousand
	MarginStops *float64     `json:"margin_stops"` // of the flash over the room's light; null: not known
	Verdict     string       `json:"verdict"`      // as of the first step of "stillwater light"
	Words       string       `json:"words"`
	Flags       []string     `json:"flags"` // what has "stillwater light" count with it
}

// differs is the difference, in stops, from which on a frame was not exposed as the set says: EXIF rounds by less. Own
// choice.
const differs = 0.25

// judgeRoom judges the room by a frame that was taken with the flash off. A frame that does not allow it is a problem
// that the rest does not wait for.
func (s *Sheet) judgeRoom(ctx context.Context, folder *frames.Folder, name string) error {
	frame, err := s.frameNamed(name)
	if err != nil {
		return fmt.Errorf("--black %q: %w", name, err)
	}
	if s.Room, err = s.roomOf(ctx, folder, frame); err != nil {
		s.Room = nil
		s.Problems = append(s.Problems, fmt.Errorf("--black %q: %w", name, err))
	}
	return ctx.Err()
}

// roomOf judges the room by a frame that was taken with the flash off, at what the session's set has else.
func (s *Sheet) roomOf(ctx context.Context, folder *frames.Folder, frame *frames.Frame) (*Room, error) {
	set, err := shot.ParseSet(s.Session.Set)
	if err != nil {
		return nil, fmt.Errorf("the session's set cannot be read: %w", err)
	}
	if frame.Exposure <= 0 {
		return nil, errors.New("the file does not say how long the shutter was open; read its histogram, and type both: " +
			"stillwater light --set room.by=black-frame --set room.frame_open=TIME --set room.frame_seen=LEVEL")
	}
	if err := exposedAs(set.Camera, frame.Data); err != nil {
		return nil, err
	}
	end, err := s.open(frame.Name)
	if err != nil {
		return nil, err
	}
	img, err := folder.Small(ctx, *frame, lookSide)
	end()
	if err != nil {
		return nil, err
	}
	light := look.NewImage(img, lookSide)
	seen := math.Round(float64(look.TonesOf(&light).Brightest)*1e3) / 1e3 // as well as its other errors let it be known
	r := &Room{Frame: frame.Name, OpenS: frame.Exposure.Seconds(), Seen: optics.Level(seen)}
	return r, r.judge(set)
}

// exposedAs reports whether a frame was exposed otherwise than a set says, its time aside: then it says nothing of the
// set's room. What the file does not say is taken to be as the set has it.
func exposedAs(c optics.Camera, f frames.Data) error {
	off := 0.0
	if n := float64(c.Lens().WorkingFNumber()); f.FNumber > 0 && n > 0 {
		off += 2 * math.Log2(n/f.FNumber)
	}
	if f.ISO > 0 && c.Speed > 0 {
		off += math.Log2(f.ISO / float64(c.Speed))
	}
	if math.Abs(off) < differs {
		return nil
	}
	return fmt.Errorf("it was taken at f/%.3g and ISO %.0f, and the set has %v and %v, which is %.1f stops apart: take "+
		"it like the shots", f.FNumber, f.ISO, c.Lens().WorkingFNumber(), c.Speed, math.Abs(off))
}

// judge has the light judged with it.
func (r *Room) judge(set shot.Set) error {
	for _, field := range [][2]string{{"room.by", string(optics.RoomFrame)},
		{"room.frame_open", optics.ExposureTime(r.OpenS).String()}, {"room.frame_seen", r.Seen.String()}} {
		if err := set.Put(field[0], field[1]); err != nil {
			return err
		}
		r.Flags = append(r.Flags, "--set", field[0]+"="+strings.ReplaceAll(field[1], " ", ""))
	}
	report, err := lighting.Judge(set)
	if err != nil {
		return err
	}
	at := slices.IndexFunc(report.Steps, func(s lighting.Step) bool { return s.ID == "dark" })
	if at < 0 {
		return errors.New("with this set's light nothing can be said about the room")
	}
	step := report.Steps[at]
	r.Verdict, r.Words = string(step.Verdict), strings.TrimSpace(step.Says+" "+step.Next)
	if margin := float64(report.Margin); !math.IsInf(margin, 0) && !math.IsNaN(margin) {
		r.MarginStops = &margin
	}
	return nil
}

// words say it in sentences, with how to go on.
func (r *Room) words() string {
	return fmt.Sprintf("The room by %s, flash off, open for %v: the brightest is %v. %s To judge all of the light with "+
		"it: stillwater light %s", oneLine(r.Frame), optics.ExposureTime(r.OpenS), r.Seen, r.Words,
		strings.Join(r.Flags, " "))
}
