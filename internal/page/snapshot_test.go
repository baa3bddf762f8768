package page

import (
	"encoding/json"
	"math/rand/v2"
	"path"
	"reflect"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/time/rate"

	"stillwater/internal/control"
	"stillwater/internal/optics"
	"stillwater/internal/page/pagetest"
)

// scribble changes some fields of a value at random, whatever they are.
func scribble(r *rand.Rand, v reflect.Value) {
	if v.Type() == reflect.TypeFor[time.Time]() {
		v.Set(reflect.ValueOf(time.UnixMilli(r.Int64N(1 << 40)).UTC()))
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			value := v.Type().Field(i).Name == "Value" // what is known has one
			if (value || r.IntN(4) == 0) && v.Field(i).CanSet() {
				scribble(r, v.Field(i))
			}
		}
	case reflect.Pointer:
		v.SetZero()
		if r.IntN(3) > 0 {
			v.Set(reflect.New(v.Type().Elem()))
			scribble(r, v.Elem())
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), r.IntN(4), 4))
		for i := range v.Len() {
			scribble(r, v.Index(i))
		}
	case reflect.String:
		v.SetString([]string{"", "a", `"quoted" <b> `, "\u2028\x01"}[r.IntN(4)])
	case reflect.Bool:
		v.SetBool(r.IntN(2) == 0)
	case reflect.Int, reflect.Int64:
		v.SetInt(r.Int64N(1 << 40))
	case reflect.Float64:
		v.SetFloat(r.NormFloat64())
	}
	if path.Base(v.Type().PkgPath()) != "optics" {
		return
	}
	switch v.Kind() { // its texts have limits, and only what is within them is read back
	case reflect.Float64:
		v.SetFloat([]float64{0.25, 0.5, 1}[r.IntN(3)])
	case reflect.Int:
		v.SetInt(r.Int64N(1000))
	case reflect.String:
		text := "1/2 0.25 s" // figures of a flash by power
		if v.Type() == reflect.TypeFor[optics.Others]() {
			text = "28 m, 1/16, 60 cm, 1/4000 s"
		}
		v.SetString([]string{"", text}[r.IntN(2)])
	}
}

// A phone that puts the changes in their place has the whole snapshot after each, whichever snapshots it missed.
func TestChangesAddUpToTheSnapshot(t *testing.T) {
	seed := rand.Uint64()
	t.Log("seed", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	synctest.Test(t, func(t *testing.T) {
		made := newSnapshots()
		var screens [3]pagetest.Screen
		var shown [3]encodedSnapshot
		snap := &control.Snapshot{}
		for range 300 {
			time.Sleep(time.Second / snapshotsPerSecond)
			next := *snap
			snap = &next
			scribble(r, reflect.ValueOf(snap).Elem())
			snap.Sent = time.Now()
			want, err := json.Marshal(snap)
			require.NoError(t, err)
			for i := range screens {
				if r.IntN(3) == 0 {
					continue // its mailbox held a newer one
				}
				now := encodeAtOnce(t, made, snap)
				data := now.changeMessage(shown[i])
				if shown[i] == nil {
					data, err = now.fullMessage("phone 1")
					require.NoError(t, err)
				}
				shown[i] = now
				_, err = screens[i].Take(data)
				require.NoError(t, err, "%s", data)
				got, err := screens[i].JSON()
				require.NoError(t, err)
				require.JSONEq(t, string(want), string(got))
			}
		}
	})
}

func encodeAtOnce(t *testing.T, made *snapshots, snap *control.Snapshot) encodedSnapshot {
	t.Helper()
	p, wait, err := made.encode(snap)
	require.NoError(t, err)
	require.Zero(t, wait)
	return p
}

func TestASnapshotIsMadeJSONOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		made := newSnapshots()
		snap := &control.Snapshot{State: control.Safe, Notice: "a", Sent: time.Now()}
		first := encodeAtOnce(t, made, snap)
		assert.Same(t, &first[0], &encodeAtOnce(t, made, snap)[0])
		assert.Zero(t, testing.AllocsPerRun(10, func() { made.encode(snap) }))

		next := *snap
		next.Notice = "b"
		next.Sent = next.Sent.Add(time.Second)
		now := encodeAtOnce(t, made, &next)
		assert.Same(t, &first[0][0], &now[0][0], "what has not changed is not kept twice")
		assert.Same(t, &now[0], &encodeAtOnce(t, made, snap)[0], "nobody is shown an old one once there is a newer one")
		assert.Regexp(t, `^{"type":"changed","snapshot":{"notice":"b","sent":"[^"]*"}}$`, string(now.changeMessage(first)))
		whole, err := now.fullMessage(`phone "1"`)
		require.NoError(t, err)
		assert.Regexp(t, `^{"type":"snapshot","you":"phone \\"1\\"","snapshot":{"epoch":0,"state":"safe",`, string(whole))
		assert.True(t, json.Valid(whole))
	})
}

func TestFewOfManySnapshotsAreEncoded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		made, start := newSnapshots(), time.Now()
		for range snapshotsBurst {
			encodeAtOnce(t, made, &control.Snapshot{Sent: time.Now()})
		}
		snap := &control.Snapshot{Sent: time.Now()}
		_, wait, err := made.encode(snap)
		require.NoError(t, err)
		assert.Equal(t, time.Second/snapshotsPerSecond, wait)
		time.Sleep(wait)
		encodeAtOnce(t, made, snap)
		encodeAtOnce(t, made, snap)
		assert.Equal(t, wait, time.Since(start))
	})
}

func BenchmarkSnapshotToFiftyPhones(b *testing.B) {
	snap := &control.Snapshot{Shots: make([]control.ShotView, 20), Care: make([]control.Care, 8)}
	for i := range snap.Shots {
		snap.Shots[i].Cues = make([]control.CueView, 3)
	}
	made := &snapshots{rate: rate.NewLimiter(rate.Inf, 0)}
	var shown [50]encodedSnapshot
	b.ReportAllocs()
	for b.Loop() {
		next := *snap
		snap, next.Sent = &next, next.Sent.Add(time.Second)
		for i := range shown {
			now, _, err := made.encode(snap)
			if err != nil {
				b.Fatal(err)
			}
			if shown[i] != nil {
				now.changeMessage(shown[i])
			}
			shown[i] = now
		}
	}
}
