package control

import (
	"context"
	"fmt"

	"stillwater/internal/optics"
	"stillwater/internal/record"
)

// Camera keeps the frames that came from the camera and knows which shot each belongs to. Its methods return at once:
// the work is done while nothing is armed. Errors are *Refusal.
type Camera interface {
	// Match says that a frame is a session's shot of that number, or with NoShot that it is of none; 0 takes back what was
	// said of the frame.
	Match(ctx context.Context, session int64, number int, frame string) error
	// Unmatch takes back what Match said last.
	Unmatch(session int64) error
	// Reference says what frames of a session are measured against: the one without liquid, "" none, and how wide a
	// piece of the scene a frame shows, a length; "" what the set has.
	Reference(session int64, empty, width string, fromRight bool) error
	// Black says which of a session's frames was taken with the flash off, as the shots are else: the room is judged by
	// it. "" none.
	Black(session int64, frame string) error
	// Spot says where in a session's frames the liquid is to be, in shares of their width and height; 0, 0: in the middle.
	Spot(session int64, x, y float64) error
	// Ruler says how far apart two places in a frame are, a length; "" takes it back.
	Ruler(session int64, frame string, x, y, x2, y2 float64, length string) error
	// Measured lists what was measured in a session's frames and is on no record yet.
	Measured(ctx context.Context, session int64) ([]PastMeasured, error)
	// OnRecord lists the shots whose measurement on record is from a frame.
	OnRecord(ctx context.Context, session int64) (shots []int64, _ error)
	// Recorded says which measurements are on record now, or that some are not any more.
	Recorded(session int64, now []PastMeasured) error
}

// NoShot is the shot number of a frame that belongs to none.
const NoShot = -1

// PastMeasured is how far past its place the liquid is in a shot's picture, with the standard deviation of that.
type PastMeasured struct {
	Shot     int64   `json:"shot"` // ID
	PastMm   float64 `json:"past_mm"`
	PastSDMm float64 `json:"past_sd_mm"`
}

// CameraStatus is how far the session's frames have been read, matched and measured.
type CameraStatus struct {
	Version int    `json:"version"` // changes when more is known; 0: camera files are not accepted
	Busy    string `json:"busy"`    // what is being done or waited for, in words; "" nothing

	Measured int    `json:"measured"` // in the session's frames, and on no record yet
	Problem  string `json:"problem"`  // with the connected camera, the watched folder or its files, in sentences; "" none

	Room *RoomFrame `json:"-"` // what the session's black frame says of the room; nil: nothing. Lighting offers it
}

// RoomFrame is what a frame with the flash off says of the room.
type RoomFrame struct {
	Name   string
	Open   string        // how long its shutter was open
	Seen   string        // how bright its brightest part is
	Fix    Fix           // that enters it into a set
	Camera optics.Camera // of the set that it was judged with
}

// FrameView is the camera's frame of a shot and the verdict it suggests. A person decides.
type FrameView struct {
	Name    string         `json:"name"`
	Version string         `json:"version"` // changes with its files, and so with its picture
	Sure    string         `json:"sure"`    // that it is of this shot: "certain", "likely"
	Settled bool           `json:"settled"` // by a person
	Verdict record.Verdict `json:"verdict"` // suggested; "" none
	Says    []string       `json:"says"`    // what was seen
	Next    []string       `json:"next"`    // what to change
}

// cameraNews is what is to be shown of a session's frames.
type cameraNews struct {
	session int64
	now     CameraStatus
	frames  map[int64]FrameView // nil: as they are
}

// ShowCamera shows phones the status of a session's frames, and the frames of its shots by shot ID; nil leaves the
// latter as they are. It only leaves word, as whoever calls it works at the least priority and must not have the mutex:
// see glance.
func (c *Control) ShowCamera(session int64, now CameraStatus, frames map[int64]FrameView) {
	if session != c.SessionID() {
		return
	}
	for {
		next, before := cameraNews{session, now, frames}, c.cameraNews.Load()
		if frames == nil && before != nil && before.session == session {
			next.frames = before.frames
		}
		if c.cameraNews.CompareAndSwap(before, &next) {
			break
		}
	}
	select {
	case c.cameraCame <- struct{}{}:
	default:
	}
}

// watchCamera shows what ShowCamera left word of, until the context ends.
func (c *Control) watchCamera(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-c.cameraCame:
		}
		if news := c.cameraNews.Swap(nil); news != nil {
			c.showCamera(news)
		}
	}
}

func (c *Control) showCamera(news *cameraNews) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if news.session != c.session.id {
		return
	}
	c.camera = news.now
	for i := range c.shots {
		if news.frames == nil {
			break
		}
		s := &c.shots[i]
		s.CameraFrame = nil
		if f, framed := news.frames[s.ID]; framed {
			s.CameraFrame = &f
		}
		s.Framed = s.CameraFrame != nil
	}
	c.publishSoon()
}

// SessionID is the session's ID; 0: it is not in the record yet.
func (c *Control) SessionID() int64 { return c.glance.Load().session }

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
	}
	camera := c.opts.Camera
	switch cmd.Type {
	case "match":
		return camera.Match(ctx, cmd.Session, cmd.Number, cmd.Name)
	case "unmatch":
		return camera.Unmatch(cmd.Session)
	case "reference":
		return camera.Reference(cmd.Session, cmd.Name, cmd.Value, cmd.FromRight)
	case "black":
		return camera.Black(cmd.Session, cmd.Name)
	case "spot":
		return camera.Spot(cmd.Session, cmd.X, cmd.Y)
	case "ruler":
		return camera.Ruler(cmd.Session, cmd.Name, cmd.X, cmd.Y, cmd.X2, cmd.Y2, cmd.Value)
	case "unaccept":
		return c.withdrawMeasured(ctx, client, cmd.Session)
	}
	return c.acceptMeasured(ctx, client, cmd.Session)
}

// acceptMeasured puts on record what was measured in a session's frames, each as a person's own measurement is.
func (c *Control) acceptMeasured(ctx context.Context, client string, session int64) error {
	list, err := c.opts.Camera.Measured(ctx, session)
	if err != nil {
		return err
	}
	taken, refused := c.recordPast(ctx, client, list)
	err = c.opts.Camera.Recorded(session, taken)
	if refused != nil {
		refused.Why = fmt.Sprintf("%d of %d measurements are on record. %s", len(taken), len(list), refused.Why)
		return refused
	}
	return err
}

// withdrawMeasured takes back the measurements on record that are from a session's frames.
func (c *Control) withdrawMeasured(ctx context.Context, client string, session int64) error {
	shots, err := c.opts.Camera.OnRecord(ctx, session)
	if err != nil {
		return err
	}
	none := make([]PastMeasured, len(shots))
	for i, id := range shots {
		none[i].Shot = id
	}
	gone, refused := c.recordPast(ctx, client, none)
	err = c.opts.Camera.Recorded(session, nil)
	if refused != nil {
		refused.Why = fmt.Sprintf("%d of %d measurements were taken back. %s", len(gone), len(shots), refused.Why)
		return refused
	}
	return err
}

// recordPast puts measurements on record, those of 0 mm taking back what is there, and returns those that are. Where
// one cannot be, the others are.
func (c *Control) recordPast(ctx context.Context, client string, list []PastMeasured) (
	done []PastMeasured, first *Refusal,
) {
	for _, m := range list {
		err := c.recordRemark(ctx, client, Command{Type: "measure", Shot: m.Shot, PastMm: m.PastMm, PastSDMm: m.PastSDMm})
		if err == nil {
			done = append(done, m)
		} else if first == nil {
			first = toRefusal(err)
		}
	}
	return done, first
}
