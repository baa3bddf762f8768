package control

import (
	"context"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// fakeFrames notes what is said to it, and has measured something.
type fakeFrames struct {
	said     []any
	measured []PastMeasured
}

func (f *fakeFrames) Match(_ context.Context, session int64, number int, frame string) error {
	f.said = append(f.said, session, number, frame)
	return nil
}

func (f *fakeFrames) Reference(session int64, empty, width string, fromRight bool) error {
	f.said = append(f.said, session, empty, width, fromRight)
	return nil
}

func (f *fakeFrames) Black(session int64, frame string) error {
	f.said = append(f.said, "black", session, frame)
	return nil
}

func (f *fakeFrames) Measured(context.Context, int64) ([]PastMeasured, error) { return f.measured, nil }

func (f *fakeFrames) Unmatch(session int64) error {
	f.said = append(f.said, "unmatch", session)
	return nil
}

func (f *fakeFrames) Spot(session int64, x, y float64) error {
	f.said = append(f.said, "spot", session, x, y)
	return nil
}

func (f *fakeFrames) Ruler(session int64, frame string, x, y, x2, y2 float64, length string) error {
	f.said = append(f.said, "ruler", session, frame, x, y, x2, y2, length)
	return nil
}

func (f *fakeFrames) OnRecord(context.Context, int64) (shots []int64, _ error) {
	for _, m := range f.measured {
		shots = append(shots, m.Shot)
	}
	return shots, nil
}

func (f *fakeFrames) Recorded(session int64, now []PastMeasured) error {
	f.said = append(f.said, "recorded", session, now)
	return nil
}

// Who holds the controls says which frame is which shot, and what frames are measured against.
func TestCommandsOfFrames(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		frames := &fakeFrames{}
		do := func(client string, cmd Command) error { return x.Do(context.Background(), client, cmd) }
		pair := Command{Type: "match", Session: 1, Number: 12, Name: "PICT0471"}
		assert.ErrorContains(t, do(me, pair), "This machine does not accept camera files.")
		x.opts.Camera = frames
		assert.ErrorContains(t, do("somebody", pair), "The controls are with")
		assert.Empty(t, frames.said)
		require.NoError(t, do(me, pair))
		require.NoError(t, do(me, Command{Type: "reference", Session: 1, Name: "PICT0100", Value: "60 cm", FromRight: true}))
		assert.Equal(t, []any{int64(1), 12, "PICT0471", int64(1), "PICT0100", "60 cm", true}, frames.said)
		frames.said = nil
		require.NoError(t, do(me, Command{Type: "unmatch", Session: 1}))
		require.NoError(t, do(me, Command{Type: "black", Session: 1, Name: "PICT0099"}))
		require.NoError(t, do(me, Command{Type: "spot", Session: 1, X: 0.4, Y: 0.5}))
		require.NoError(t, do(me, Command{Type: "ruler", Session: 1, Name: "PICT0100", X: 0.1, Y: 0.2, X2: 0.3, Y2: 0.4,
			Value: "10 cm"}))
		assert.Equal(t, []any{"unmatch", int64(1), "black", int64(1), "PICT0099", "spot", int64(1), 0.4, 0.5,
			"ruler", int64(1), "PICT0100", 0.1, 0.2, 0.3, 0.4, "10 cm"}, frames.said)
	})
}

// What was measured is put on record as a person's measurement is. Where that cannot be, the others are.
func TestMeasurementsAreAccepted(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "set", Field: "drop.phase", Value: "contact"})
		x.arm(1)
		x.fire()
		synctest.Wait()
		frames := &fakeFrames{measured: []PastMeasured{{Shot: 1, PastMm: 14, PastSDMm: 3},
			{Shot: 77, PastMm: 1, PastSDMm: 1}}}
		x.opts.Camera = frames
		err := x.Do(context.Background(), me, Command{Type: "accept", Session: 1})
		assert.ErrorContains(t, err, "1 of 2 measurements are on record.")
		kept := x.journal.kept()[0]
		assert.Equal(t, []int64{14_000, 3000}, []int64{kept.PastUm, kept.PastSDUm})
		assert.Equal(t, []any{"recorded", int64(1), frames.measured[:1]}, frames.said)
		require.NotNil(t, x.Snapshot().Shots[0].PastMm)
		assert.InDelta(t, 14, *x.Snapshot().Shots[0].PastMm, 1e-9)

		err = x.Do(context.Background(), me, Command{Type: "unaccept", Session: 1})
		assert.ErrorContains(t, err, "1 of 2 measurements were taken back.")
		assert.Zero(t, x.journal.kept()[0].PastSDUm)
		assert.Nil(t, x.Snapshot().Shots[0].PastMm)
	})
}

// Whoever looks at frames asks often whether something is armed, at the least priority: it never has the mutex, which
// it might keep for as long as others want the processor.
func TestStateIsSeenWithoutTheMutex(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		assert.Equal(t, Safe, x.State())
		x.arm(1)
		x.mu.Lock()
		defer x.mu.Unlock()
		assert.Equal(t, Armed, x.State())
		assert.Positive(t, x.SessionID())
		x.ShowCamera(x.SessionID(), CameraStatus{Version: 3}, nil)
		assert.Zero(t, x.camera.Version, "only word of it is left while somebody has the mutex")
	})
}

// What is shown while nobody comes to look at it is not lost: the newest status, and the frames.
func TestCameraNewsAreNotLost(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		x.fire()
		synctest.Wait()
		session := x.SessionID()
		x.mu.Lock()
		x.ShowCamera(session, CameraStatus{Version: 4}, map[int64]FrameView{1: {Name: "PICT0471"}})
		x.ShowCamera(session, CameraStatus{Version: 5}, nil)
		x.ShowCamera(99, CameraStatus{Version: 6}, nil)
		x.mu.Unlock()
		synctest.Wait()
		s := x.Snapshot()
		assert.Equal(t, 5, s.Camera.Version)
		require.NotNil(t, s.Shots[0].CameraFrame)
		assert.Equal(t, "PICT0471", s.Shots[0].CameraFrame.Name)
	})
}

// The frames of the session's shots are shown with them; of another session's nothing is.
func TestFramesAreShownWithTheirShots(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(2)
		x.fire()
		x.fire()
		synctest.Wait()
		f := FrameView{Name: "PICT0471", Sure: "likely", Verdict: record.Late, Says: []string{"a"}, Next: []string{"b"}}
		x.ShowCamera(99, CameraStatus{Version: 5}, map[int64]FrameView{1: f})
		synctest.Wait()
		assert.Zero(t, x.Snapshot().Camera.Version)
		session := x.SessionID()
		x.ShowCamera(session, CameraStatus{Version: 6}, map[int64]FrameView{1: f})
		synctest.Wait()
		s := x.Snapshot()
		assert.Equal(t, 6, s.Camera.Version)
		assert.Nil(t, s.Shots[0].CameraFrame)
		assert.Equal(t, f, *s.Shots[1].CameraFrame)
		assert.Equal(t, []bool{false, true}, []bool{s.Shots[0].Framed, s.Shots[1].Framed})
		x.ShowCamera(session, CameraStatus{Version: 7, Busy: "waiting"}, nil)
		synctest.Wait()
		assert.NotNil(t, x.Snapshot().Shots[1].CameraFrame, "it stays while others are looked at")
		x.ShowCamera(session, CameraStatus{Version: 8}, map[int64]FrameView{})
		synctest.Wait()
		assert.Nil(t, x.Snapshot().Shots[1].CameraFrame)
	})
}
