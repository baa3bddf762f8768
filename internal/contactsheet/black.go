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
	"stillwater/internal/match"
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
	Flags       []string     `json:"flags"` // that enter it into "stillwater light"

	Fix    shot.Fix      `json:"-"` // that enters it into a set
	Camera optics.Camera `json:"-"` // of the set that it was judged with
}

// differs is the difference, in stops, from which on a frame was not exposed as the set says: EXIF rounds by less. Own
// choice.
const differs = 0.25

// ErrNotTimed means that a file does not say how long the shutter was open.
var ErrNotTimed = errors.New("the file does not say how long the shutter was open")

// judgeRoom judges the room by a frame that was taken with the flash off. A frame that does not allow it is a problem
// that the rest does not wait for.
func (s *Sheet) judgeRoom(ctx context.Context, folder *frames.Folder, name string) error {
	frame, err := s.frameNamed(name)
	if err != nil {
		return &BlackError{name, err}
	}
	if s.Room, err = s.roomOf(ctx, folder, frame); err != nil {
		s.Room = nil
		s.Problems = append(s.Problems, &BlackError{name, err})
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
		return nil, ErrNotTimed
	}
	assumed, err := s.exposedAs(set.Camera, frame.Data)
	if err != nil {
		return nil, err
	}
	brightest, err := s.brightest(ctx, folder, frame)
	if err != nil {
		return nil, err
	}
	seen := math.Round(float64(brightest)*1e3) / 1e3 // as well as its other errors let it be known
	r := &Room{Frame: frame.Name, OpenS: frame.Exposure.Seconds(), Seen: optics.Level(seen), Camera: set.Camera}
	if err := r.judge(set); err != nil {
		return nil, err
	}
	r.Words += assumed
	return r, nil
}

// brightest is the brightest of a frame, which may be known from before.
func (s *Sheet) brightest(ctx context.Context, folder *frames.Folder, frame *frames.Frame) (optics.Level, error) {
	if k := s.known[frame.Name]; k != nil && k.saw.Picture != nil {
		return k.saw.Picture.Tones.Brightest, nil
	}
	if s.away[frame.Name] {
		return 0, &AwayError{frame.Name}
	}
	end, err := s.open(frame.Name)
	if err != nil {
		return 0, err
	}
	img, err := folder.Small(ctx, *frame, lookSide)
	end()
	if err != nil {
		return 0, err
	}
	light := look.NewImage(img, lookSide)
	return look.TonesOf(&light).Brightest, nil
}

// ErrSetDiffers means that the shots' own frames were exposed like the black one, and the set says otherwise.
var ErrSetDiffers = errors.New("the shots' frames were taken like it: correct the set's aperture and ISO")

var errTakenOtherwise = errors.New("take it like the shots")

// exposedAs refuses a frame that was exposed otherwise than a set says, its time aside: then it says nothing of the
// set's room. What the file does not say is taken to be as the set has it, which assumed says in a sentence. Some
// cameras write the mark's f-number, others the one that counts so near the subject.
func (s *Sheet) exposedAs(c optics.Camera, f frames.Data) (assumed string, _ error) {
	ofMark, working := 0.0, 0.0
	var said, unsaid []string
	if f.FNumber > 0 && c.Aperture > 0 {
		ofMark = 2 * math.Log2(float64(optics.ExactFNumber(c.Aperture))/f.FNumber)
		working = 2 * math.Log2(float64(c.Lens().WorkingFNumber())/f.FNumber)
		said = append(said, optics.FNumber(f.FNumber).String())
	} else {
		unsaid = append(unsaid, c.Aperture.String())
	}
	if f.ISO > 0 && c.Speed > 0 {
		more := math.Log2(f.ISO / float64(c.Speed))
		ofMark, working = ofMark+more, working+more
		said = append(said, optics.ISO(f.ISO).String())
	} else {
		unsaid = append(unsaid, c.Speed.String())
	}
	if off := min(math.Abs(ofMark), math.Abs(working)); off >= differs {
		remedy := errTakenOtherwise
		if s.takenLike(f) {
			remedy = ErrSetDiffers
		}
		return "", fmt.Errorf("it was taken at %s, and the set has %v and %v, which is %.1f stops apart: %w",
			strings.Join(said, " and "), c.Aperture, c.Speed, off, remedy)
	}
	if len(unsaid) == 0 {
		return "", nil
	}
	return fmt.Sprintf(" The file does not say it was taken at %s; that is assumed.", strings.Join(unsaid, " and ")), nil
}

// takenLike reports whether most of the shots' frames were taken at a frame's aperture and ISO, as far as the files say
// them; those that do not say the aperture do not count.
func (s *Sheet) takenLike(f frames.Data) bool {
	alike, others := 0, 0
	for _, r := range s.Rows {
		if r.Frame == nil || r.Sure == match.Open || r.Frame.FNumber == 0 || f.FNumber == 0 {
			continue
		}
		stops := math.Abs(2 * math.Log2(r.Frame.FNumber/f.FNumber))
		if r.Frame.ISO > 0 && f.ISO > 0 {
			stops = max(stops, math.Abs(math.Log2(r.Frame.ISO/f.ISO)))
		}
		if stops < differs {
			alike++
		} else {
			others++
		}
	}
	return alike > others
}

// judge has the light judged with it.
func (r *Room) judge(set shot.Set) error {
	for _, field := range [][2]string{{"room.by", string(optics.RoomFrame)},
		{"room.frame_open", optics.ExposureTime(r.OpenS).String()}, {"room.frame_seen", r.Seen.String()}} {
		if err := set.Put(field[0], field[1]); err != nil {
			return err
		}
		r.Flags = append(r.Flags, "--set", field[0]+"="+strings.ReplaceAll(field[1], " ", ""))
		r.Fix.Also = append(r.Fix.Also, shot.Fix{Field: field[0], Value: field[1]})
	}
	r.Fix = shot.Fix{Field: r.Fix.Also[0].Field, Value: r.Fix.Also[0].Value, Also: r.Fix.Also[1:]}
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
