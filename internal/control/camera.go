package control

import (
	"context"
	"fmt"
)

// Camera has the frames that came from the camera, and says which is which shot. Its methods return at once: what they
// ask for is done while nothing is armed. Errors are *Refusal.
type Camera interface {
	// Pair says that a frame is a session's shot of that number; 0 takes back what was said of the frame.
	Pair(ctx context.Context, session int64, number int, frame string) error
	// Reference says what frames of a session are measured against: the one without liquid, "" none, and how wide a
	// piece of the scene a frame shows, a length; "" what the set has.
	Reference(session int64, empty, width string, fromRight bool) error
	// Measured lists what was measured in a session's frames and is on no record yet.
	Measured(session int64) ([]PastMeasured, error)
	// Recorded says that something of what was measured is on record now.
	Recorded(session int64)
}

// PastMeasured is how far past its place the liquid is in a shot's picture, with the standard deviation of that.
type PastMeasured struct {
	Shot             int64 // ID
	PastMm, PastSDMm float64
}

// CameraNow says how far the camera's frames of the session are.
type CameraNow struct {
	Version int    `json:"version"` // changes when more is known; 0: camera files are not accepted
	Busy    string `json:"busy"`    // what is being done or waited for, in words; "" nothing

	Measured int `json:"measured"` // in the session's frames, and on no record yet
}

// FrameView is the camera's frame of a shot, and what it speaks for. A person decides.
type FrameView struct {
	Name    string   `json:"name"`
	Sure    string   `json:"sure"`    // that it is of this shot: "certain", "likely"
	Settled bool     `json:"settled"` // by a person
	Verdict Verdict  `json:"verdict"` // suggested; "" none
	Says    []string `json:"says"`    // what was seen
	Next    []string `json:"next"`    // what to change
}

// ShowCamera shows how far the camera's frames of a session are, and those of its shots, by their ID; nil leaves those
// as they are.
func (c *Control) ShowCamera(session int64, now CameraNow, frames map[int64]FrameView) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if session != c.session.id {
		return
	}
	c.camera = now
	for i := range c.shots {
		if frames == nil {
			break
		}
		s := &c.shots[i]
		s.Camera = nil
		if f, framed := frames[s.ID]; framed {
			s.Camera = &f
		}
		s.Framed = s.Camera != nil
	}
	c.publishSoon()
}

// SessionID is the session's ID; 0: it is not in the record yet.
func (c *Control) SessionID() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.session.id
}

// changeCamera carries out the commands about the camera's frames.
func (c *Control) changeCamera(ctx context.Context, client string, cmd Command) error {
	c.mu.Lock()
	err := c.requireHolder(client)
	c.mu.Unlock()
	switch {
	case err != nil:
		return err
	case c.opts.Camera == nil:
		return refusal("type", "This machine does not accept camera files.", "Reload the page.")
	case cmd.Type == "pair":
		return c.opts.Camera.Pair(ctx, cmd.Session, cmd.Number, cmd.Name)
	case cmd.Type == "reference":
		return c.opts.Camera.Reference(cmd.Session, cmd.Name, cmd.Value, cmd.FromRight)
	}
	return c.acceptMeasured(ctx, client, cmd.Session)
}

// acceptMeasured puts on record what was measured in a session's frames, each as a person's own measurement is.
func (c *Control) acceptMeasured(ctx context.Context, client string, session int64) error {
	list, err := c.opts.Camera.Measured(session)
	if err != nil {
		return err
	}
	defer c.opts.Camera.Recorded(session)
	taken := 0
	var first *Refusal
	for _, m := range list {
		err := c.recordRemark(ctx, client, Command{Type: "measure", Shot: m.Shot, PastMm: m.PastMm, PastSDMm: m.PastSDMm})
		if err == nil {
			taken++
		} else if first == nil {
			first = toRefusal(err)
		}
	}
	if first != nil {
		first.Why = fmt.Sprintf("%d of %d measurements are on record. %s", taken, len(list), first.Why)
		return first
	}
	return nil
}
