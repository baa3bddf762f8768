package scene

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// The camera's lag has the set's scatter; its mean differs from the set's by what the room says, and stays so all
// evening.
func TestTheCameraHasALag(t *testing.T) {
	set := shot.DefaultSet().Light
	var means []float64
	for seed := range uint64(100) {
		r := calm(seed)
		var lags []float64
		for i := range 50 {
			at := time.Duration(i) * 10 * time.Second
			edges := r.Drive(Shutter, true, at)
			require.Len(t, edges, 2)
			assert.Equal(t, []bool{true, false}, []bool{edges[0].Active, edges[1].Active})
			lags = append(lags, (edges[0].At - at).Seconds())
			assert.Empty(t, r.Drive(Shutter, false, at+time.Second))
		}
		mean, _ := meanSD(lags)
		require.InDelta(t, r.Lag().Seconds(), mean, 4*float64(set.LagScatter)/7, "seed %d", seed)
		spreadIs(t, cut3*float64(set.LagScatter), lags, "lag")
		means = append(means, r.Lag().Seconds())
	}
	meanIs(t, float64(set.Lag), means, "lag over rooms")
	spreadIs(t, cut3*0.03*float64(set.Lag), means, "lag over rooms")
}

// exact is a room where nothing varies, and one drop in it.
func exact(t *testing.T, light func(*shot.LightSet)) (*Room, Flight) {
	set := shot.DefaultSet()
	set.Light.LagScatter = 0
	light(&set.Light)
	r := newWith(1, spreads{DragLow: 1, DragHigh: 1})
	f, err := r.Release(set, 0)
	require.NoError(t, err)
	return r, f
}

func TestTheShutterMustBeOpenAtTheFlash(t *testing.T) {
	const lag = 60 * time.Millisecond
	flashAt := func(r *Room, at time.Duration) { r.Drive(Flash, true, at-FlashDelay) }
	for _, c := range []struct {
		name    string
		light   func(*shot.LightSet)
		play    func(r *Room, f Flight)
		exposed bool
		seen    string
	}{
		{"held open", func(*shot.LightSet) {}, func(r *Room, f Flight) {
			r.Drive(Shutter, true, f.Best-lag)
			flashAt(r, f.Best)
			r.Drive(Shutter, false, f.Best+20*time.Millisecond)
		}, true, "the column at its highest"},
		{"not pressed", func(*shot.LightSet) {}, func(r *Room, f Flight) { flashAt(r, f.Best) }, false,
			"black: the shutter was not open"},
		{"too late", func(*shot.LightSet) {}, func(r *Room, f Flight) {
			r.Drive(Shutter, true, f.Best-lag+4*time.Millisecond)
			flashAt(r, f.Best)
			r.Drive(Shutter, false, f.Best+time.Second)
		}, false, "black: the shutter was not open: it opened 4.0 ms after the flash"},
		{"closed before", func(*shot.LightSet) {}, func(r *Room, f Flight) {
			r.Drive(Shutter, true, f.Best-time.Second)
			r.Drive(Shutter, false, f.Best-closeLag-5*time.Millisecond)
			flashAt(r, f.Best)
		}, false, "black: the shutter was not open: it closed 5.0 ms before the flash"},
		{"by hand", func(l *shot.LightSet) { l.Shutter = shot.ByHand }, func(r *Room, f Flight) { flashAt(r, f.Best) },
			true, "the column at its highest"},
		{"no flash", func(*shot.LightSet) {}, func(r *Room, f Flight) {
			r.Drive(Shutter, true, f.Best-lag)
			r.Drive(Shutter, false, f.Best+lag)
		}, false, "black: the flash did not fire"},
		{"flash too soon again", func(*shot.LightSet) {}, func(r *Room, f Flight) {
			r.Drive(Flash, true, f.Released-time.Second)
			r.Drive(Flash, false, f.Released)
			r.Drive(Shutter, true, f.Best-lag)
			flashAt(r, f.Best)
		}, false, "black: the flash was not charged yet"},
		{"lag-led", func(l *shot.LightSet) { l.Expose = shot.LagLed }, func(r *Room, f Flight) {
			r.Drive(Shutter, true, f.Best-lag)
			r.Drive(Shutter, false, f.Best)
		}, true, "the column at its highest"},
		{"lag-led, 3 ms early", func(l *shot.LightSet) { l.Expose = shot.LagLed }, func(r *Room, f Flight) {
			r.Drive(Shutter, true, f.Best-lag-3100*time.Microsecond)
		}, true, "the column 3.1 ms before its highest"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, f := exact(t, c.light)
			c.play(r, f)
			frame := r.Look(f)
			assert.Equal(t, c.seen, frame.Seen)
			assert.Equal(t, c.exposed, frame.Exposed)
			if !c.exposed {
				assert.Equal(t, record.Nothing, frame.Verdict)
			}
		})
	}
}

// A frame without a flash shows the room, if its shutter was open and the room's light is above black in that time.
func TestWithoutAFlashTheRoomIsSeen(t *testing.T) {
	open := func(r *Room, f Flight) { r.Drive(Shutter, true, f.Best-100*time.Millisecond) }
	for name, c := range map[string]struct {
		ev     optics.MeterEV
		play   func(*Room, Flight)
		opened bool
		seen   string
	}{
		"a dark room": {-6, open, true, "black: the flash did not fire"},
		"a lit room":  {6, open, true, "only the room's light: the flash did not fire"},
		"shut":        {6, func(*Room, Flight) {}, false, "black: the flash did not fire"},
		"the flash missed the opening": {6, func(r *Room, f Flight) {
			r.Drive(Shutter, true, f.Best-56*time.Millisecond)
			r.Drive(Flash, true, f.Best-FlashDelay)
		}, true, "only the room's light: the shutter was not open: it opened 4.0 ms after the flash"},
	} {
		r, f := exact(t, func(*shot.LightSet) {})
		f.Set.Room.By, f.Set.Room.EV = optics.RoomMetered, optics.Known(c.ev)
		c.play(r, f)
		assert.Equal(t, c.seen, r.Look(f).Seen, name)
		p, ok := r.Picture(f)
		require.True(t, ok)
		assert.Equal(t, c.opened, p.Opened, name)
		assert.False(t, p.Exposed, name)
		assert.NotNil(t, p.Water.Column, "drawn as it would have been: %s", name)
	}
}

// While the release is held, pressing again is nothing new.
func TestAReleaseThatIsHeld(t *testing.T) {
	r := New(1)
	require.NotEmpty(t, r.Drive(Shutter, true, 0))
	assert.Empty(t, r.Drive(Shutter, true, time.Second))
	assert.Empty(t, r.Drive(Focus, true, time.Second))
}

// After a lag-led shot the next set opens the shutter at Go, before anything is let go: the flash does not fire and the
// shutter open.
func TestOpeningAtGoAfterALagLedShot(t *testing.T) {
	r, f := exact(t, func(l *shot.LightSet) { l.Expose = shot.LagLed })
	r.Drive(Shutter, true, f.Best-60*time.Millisecond)
	r.Drive(Shutter, false, f.Best)
	require.True(t, r.Look(f).Exposed)

	r.Drive(Shutter, true, f.Ends+10*time.Second)
	set := shot.DefaultSet()
	next, err := r.Release(set, f.Ends+12*time.Second)
	require.NoError(t, err)
	r.Drive(Flash, true, next.Best-FlashDelay)
	r.Drive(Shutter, false, next.Ends)
	frame := r.Look(next)
	assert.True(t, frame.Exposed, frame.Seen)
	assert.Zero(t, frame.Offset)
}

func TestWhatPicturesShow(t *testing.T) {
	byHand := func(l *shot.LightSet) { l.Shutter = shot.ByHand }
	ms := time.Millisecond
	t.Run("drop", func(t *testing.T) {
		_, f := exact(t, byHand)
		phase := map[splash.Phase]time.Duration{}
		for _, p := range f.Phases {
			phase[p.Phase] = p.At - f.Best
		}
		for _, c := range []struct {
			off     time.Duration
			seen    string
			verdict record.Verdict
		}{
			{0, "the column at its highest", record.Good},
			{2 * ms, "the column 2.0 ms after its highest", record.Good},
			{-2 * ms, "the column 2.0 ms before its highest", record.Good},
			{-15 * ms, "the column 15.0 ms before its highest", record.Early},
			{15 * ms, "the column 15.0 ms after its highest", record.Late},
			{phase[splash.CrownHighest], "the crown at its highest, ", record.Early},
			{phase[splash.CraterDeepest] + ms, "the crater 1.0 ms after its deepest, ", record.Early},
			{phase[splash.ColumnGone] - ms, "the column 1.0 ms before it is gone, ", record.Late},
			{phase[splash.Contact] - ms, "the drop 2.", record.Early},
			{phase[splash.Contact] - 100*ms, "nothing there: the drop has not come yet", record.Nothing},
			{900 * ms, "nothing there: flat water", record.Nothing},
		} {
			r, f := exact(t, byHand)
			f.Ends += time.Second
			r.Drive(Flash, true, f.Best+c.off-FlashDelay)
			frame := r.Look(f)
			assert.Contains(t, frame.Seen, c.seen)
			assert.Equal(t, c.verdict, frame.Verdict, c.seen)
			assert.Equal(t, c.off, frame.Offset)
		}
	})
	t.Run("throw", func(t *testing.T) {
		for _, c := range []struct {
			mm      float64
			seen    string
			verdict record.Verdict
		}{
			{0, "the sheet in the focus spot", record.Good},
			{12, "the sheet 12 mm past the focus spot", record.Good},
			{-35, "the sheet 35 mm short of the focus spot", record.Early},
			{80, "the sheet 80 mm past the focus spot", record.Late},
			{-900, "nothing there: the sheet was 900 mm short of the focus spot", record.Nothing},
		} {
			set := throwSet()
			set.Light.Shutter = shot.ByHand
			s := spreads{DragLow: 1, DragHigh: 1}
			r := newWith(1, s)
			f, err := r.Release(set, 0)
			require.NoError(t, err)
			f.Above = 0
			r.Drive(Flash, true, f.Best+time.Duration(c.mm/1e3/float64(f.Speed)*1e9)-FlashDelay)
			frame := r.Look(f)
			assert.Equal(t, c.seen, frame.Seen)
			assert.Equal(t, c.verdict, frame.Verdict)
			assert.InDelta(t, c.mm, frame.OffsetMm, 0.01)

			f.Above = 0.1
			if c.verdict != record.Nothing {
				assert.Contains(t, r.Look(f).Seen, c.seen+", 100 mm too high")
			}
		}
	})
	t.Run("sound", func(t *testing.T) {
		for _, c := range []struct {
			off     time.Duration
			seen    string
			verdict record.Verdict
		}{
			{0, "the very moment", record.Good},
			{1200 * time.Microsecond, "the moment 1.2 ms past", record.Good},
			{-5 * ms, "the moment 5.0 ms before its time", record.Early},
			{5 * ms, "the moment 5.0 ms past", record.Late},
			{80 * ms, "nothing there: the moment is over for 80.0 ms", record.Nothing},
			{-80 * ms, "nothing there: the moment is 80.0 ms away", record.Nothing},
		} {
			set := soundSet()
			set.Light.Shutter = shot.ByHand
			r := New(3)
			f, err := r.Release(set, 0)
			require.NoError(t, err)
			f.Best += 200 * ms
			r.Drive(Flash, true, f.Best+c.off-FlashDelay)
			frame := r.Look(f)
			assert.Equal(t, c.seen, frame.Seen)
			assert.Equal(t, c.verdict, frame.Verdict)
		}
	})
}

// What is out of the frame follows the frame, once somebody has framed it.
func TestWhatIsOutOfAThrowsFrame(t *testing.T) {
	for _, c := range []struct {
		field  phys.Length
		pastMm float64
		says   string
	}{
		{0, 300, "the sheet 300 mm past the focus spot; "}, {0, 900, "nothing there: the sheet was 900 mm past"},
		{1.5, 700, "the sheet 700 mm past the focus spot; "}, {1.5, 1300, "nothing there: the sheet was 1300 mm past"},
		{0.3, 140, "the sheet 140 mm past the focus spot; "}, {0.3, 600, "nothing there: the sheet was 600 mm past"},
	} {
		set := throwSet()
		set.Camera.FieldSeen = c.field
		f := release(t, New(5), set, 1)[0]
		require.True(t, f.Arrives)
		seen := f.SeenAt(f.Best + time.Duration(c.pastMm/1e3/float64(f.Speed)*1e9))
		assert.Contains(t, seen, c.says, "%+v", c)
		if !strings.Contains(c.says, "nothing") {
			assert.Contains(t, seen, " % of it outside of the picture")
		}
	}
}

// Where nobody has framed it, the frame is wider than any throw of the room is long.
func TestAFrameHoldsTheThrows(t *testing.T) {
	for _, places := range []struct{ gate, toFocus phys.Length }{{0.2, 0.08}, {0.1, 0.4}, {0.1, 0.8}} {
		set := shot.DefaultSet()
		set.Kind, set.Throw.Gate, set.Throw.ToFocus = shot.Throw, places.gate, places.toFocus
		wide := ThrowFrame(set)
		assert.GreaterOrEqual(t, wide, minFrame)
		assert.LessOrEqual(t, wide, widestFrame)
		long, n := 0.0, 0.0
		for seed := range uint64(60) {
			for _, f := range release(t, New(seed), set, 1) {
				if f.Arrives {
					l, _ := f.extent(f.inFlight(f.Best))
					long, n = max(long, l), n+1
				}
			}
		}
		t.Logf("%+v: a frame of %v; of %v throws the longest is %.2f m", places, wide, n, long)
		assert.Greater(t, float64(wide), long)
	}
	framed := shot.DefaultSet()
	framed.Kind, framed.Camera.FieldSeen = shot.Throw, 0.4
	assert.InDelta(t, 0.4, float64(ThrowFrame(framed)), 1e-9)
}

// A camera that works for weeks keeps no more than it needs.
func TestTheCameraForgets(t *testing.T) {
	r := New(1)
	for i := range 1000 {
		at := time.Duration(i) * 10 * time.Second
		r.Drive(Shutter, true, at)
		r.Drive(Flash, true, at+time.Second)
		r.Drive(Shutter, false, at+2*time.Second)
	}
	assert.Len(t, r.camera.openings, maxKept)
	assert.Len(t, r.camera.flashes, maxKept)
}
