package bench

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"image"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/lateness"
	"stillwater/internal/realtime"
	"stillwater/internal/render"
)

var update = flag.Bool("update", false, "write golden files anew")

// golden compares with a file in testdata.
func golden(t *testing.T, name string, got []byte) {
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, got, 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got))
}

// fakeTools measure the same each time.
func fakeTools(looped, peer bool) tools {
	tools := tools{
		measure: func(_ context.Context, n int, _ *rand.Rand) (pulses []Pulse, err error) {
			for i := range n {
				late := time.Duration(100+i%7*50) * time.Nanosecond
				if i%100 == 99 {
					late = 20 * time.Microsecond
				}
				pulses = append(pulses, Pulse{Software: late, Stamped: late + 1500, Looped: looped})
			}
			return pulses, nil
		},
	}
	if peer {
		turn := 0
		tools.peer = func(_ context.Context, n int) ([]lateness.Count, error) {
			turn++
			return []lateness.Count{{Value: 10 * time.Microsecond, N: n - 10},
				{Value: time.Duration(turn) * 40 * time.Microsecond, N: 10}}, nil
		}
	}
	return tools
}

func fakeRun(t *testing.T, looped, peer bool) *Report {
	o := &Options{Count: 1000, Rounds: 2, Interval: time.Millisecond, Seed: 7}
	o.Plan = Plan{lateness.Plan{Name: "a throw", Repeat: 9 * time.Millisecond, Limit: time.Millisecond}, "the usual set"}
	o.Setup = Setup{Output: "nothing (a board without pins)", Drive: "none", Granted: "memory locked",
		Missing: []string{"no real-time priority 60: the limit of this process is 0; give it more"}, System: "Linux 1.2.3"}
	if looped {
		o.Setup.Output, o.Setup.Input, o.Setup.Drive = `"flash"`, "beam", "calls to the kernel"
	}
	if peer {
		o.Setup.Peer = "cyclictest"
	}
	r, err := o.run(t.Context(), fakeTools(looped, peer))
	require.NoError(t, err)
	return r
}

func TestReportGolden(t *testing.T) {
	for name, c := range map[string]struct{ looped, peer bool }{
		"null": {false, false}, "loop": {true, false}, "peer": {false, true},
	} {
		t.Run(name, func(t *testing.T) {
			var text, object bytes.Buffer
			r := fakeRun(t, c.looped, c.peer)
			require.NoError(t, r.Write(&text))
			golden(t, name+".txt", text.Bytes())
			require.NoError(t, render.JSON(&object, r.JSON()))
			golden(t, name+".json", object.Bytes())
		})
	}
}

func TestReportKeys(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, render.JSON(&b, fakeRun(t, true, true).JSON()))
	var keys map[string]any
	require.NoError(t, json.Unmarshal(b.Bytes(), &keys))
	for _, k := range []string{"p50_ns", "p90_ns", "p99_ns", "p999_ns", "max_ns", "count", "granted", "missing",
		"drive", "kernel", "load", "stamped", "histogram", "moved_mm", "peer", "good_enough", "verdict"} {
		assert.Contains(t, keys, k)
	}
	assert.EqualValues(t, 250, keys["p50_ns"])
	assert.EqualValues(t, 20_000, keys["max_ns"])
	peer, ok := keys["peer"].(map[string]any)
	require.True(t, ok)
	assert.InDelta(t, 0.025, peer["ratio_p50"], 1e-9)
}

// Turns of a peer share the samples out, none lost and none twice.
func TestTurns(t *testing.T) {
	var asked, askedPeer int
	o := &Options{Count: 1003, Rounds: 7}
	tools := fakeTools(false, true)
	measure, peer := tools.measure, tools.peer
	order := ""
	tools.measure = func(ctx context.Context, n int, r *rand.Rand) ([]Pulse, error) {
		asked += n
		order += "b"
		return measure(ctx, n, r)
	}
	tools.peer = func(ctx context.Context, n int) ([]lateness.Count, error) {
		askedPeer += n
		order += "p"
		return peer(ctx, n)
	}
	r, err := o.run(t.Context(), tools)
	require.NoError(t, err)
	assert.Equal(t, "bpbpbpbpbpbpbp", order)
	assert.Equal(t, []int{1003, 1003, 1003, 1003}, []int{asked, askedPeer, r.Software.Count, r.Peer.Count})

	tools.peer = func(context.Context, int) ([]lateness.Count, error) { return nil, io.ErrUnexpectedEOF }
	_, err = o.run(t.Context(), tools)
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

// Files in testdata/cyclictest-*.json were written by cyclictest 2.40 of Debian's rt-tests.
func TestParseCyclictest(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("testdata", "cyclictest-ns.json"))
	require.NoError(t, err)
	counts, err := parseCyclictest(text)
	require.NoError(t, err)
	s := lateness.SummarizeCounts(counts)
	assert.Equal(t, 200, s.Count)
	var whole struct {
		Thread map[string]struct {
			Min, Max int64
			Avg      float64
		}
	}
	require.NoError(t, json.Unmarshal(text, &whole))
	assert.Equal(t, whole.Thread["0"].Max, int64(s.Max), "the tool's own figures")
	assert.Equal(t, whole.Thread["0"].Min, int64(counts[0].Value))
	sum := time.Duration(0)
	for _, c := range counts {
		sum += c.Value * time.Duration(c.N)
	}
	assert.InDelta(t, whole.Thread["0"].Avg, float64(sum)/200, 0.01)

	beyond, err := parseCyclictest([]byte(`{"return_code":0,"thread":{"0":{"histogram":{"7":2},"cycles":5,` +
		`"max":2000000}}}`))
	require.NoError(t, err)
	assert.Equal(t, []lateness.Count{{Value: 7, N: 2}, {Value: peerHistogram, N: 2}, {Value: 2_000_000, N: 1}}, beyond)

	for _, bad := range []string{"", "{}", `{"return_code":1,"thread":{"0":{"cycles":3}}}`,
		`{"thread":{"0":{"histogram":{"x":1},"cycles":1}}}`} {
		_, err := parseCyclictest([]byte(bad))
		assert.ErrorContains(t, err, "--peer", bad)
	}
}

// The peer gets what the board gets, and no more.
func TestPeerThread(t *testing.T) {
	o := &Options{Priority: 60, CPU: 1}
	answer := func(ok bool) func(realtime.Want) realtime.Report {
		return func(realtime.Want) realtime.Report { return realtime.Report{Grants: []realtime.Grant{{OK: ok}}} }
	}
	assert.Equal(t, []string{"--policy=fifo", "--priority=60", "--affinity=1"}, o.peerThread(answer(true)))
	assert.Equal(t, []string{"--policy=other"}, o.peerThread(answer(false)))
	o = &Options{CPU: config.AnyCPU}
	assert.Equal(t, []string{"--policy=other"}, o.peerThread(answer(true)))
}

// Without stress-ng the load is our own, and ends.
func TestLoadWithoutTheTool(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	o := &Options{Load: true}
	load, err := o.startLoad(t.Context())
	require.NoError(t, err)
	assert.Contains(t, load.name, "busy loops (stress-ng is not installed)")
	load.stop()
	_, err = o.cyclictest(t.Context(), 10)
	assert.ErrorContains(t, err, "install it (Debian: apt install rt-tests)")
}

// Pictures are rendered, and a camera's frames looked at, until they are stopped, beside another load if one is asked
// for; nothing is left behind.
func TestPicturesAsALoad(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	t.Setenv("TMPDIR", t.TempDir())
	for _, o := range []*Options{{Pictures: true}, {Frames: true}, {Pictures: true, Frames: true, Load: true}} {
		o.frame = image.Pt(600, 400)
		load, err := o.startLoads(t.Context())
		require.NoError(t, err)
		assert.Equal(t, o.Pictures, strings.Contains(load.name, "pictures of the simulated camera"))
		assert.Equal(t, o.Frames, strings.Contains(load.name, "a camera's frames of 24 megapixels"))
		assert.Equal(t, o.Load, strings.Contains(load.name, "busy loops"))
		load.stop()
		entries, err := os.ReadDir(os.TempDir())
		require.NoError(t, err)
		assert.Empty(t, entries)
	}
}

func TestALatePulseIsJudged(t *testing.T) {
	late := tools{measure: func(context.Context, int, *rand.Rand) ([]Pulse, error) {
		return []Pulse{{Software: time.Second}}, nil
	}}
	o := &Options{Count: 1, Rounds: 1, Plan: Plan{Plan: lateness.Plan{Name: "a throw", Limit: time.Millisecond}}}
	r, err := o.run(t.Context(), late)
	require.NoError(t, err)
	assert.False(t, r.Verdict.Good)
	assert.Contains(t, r.Verdict.Words, "not good enough for a throw")
}
