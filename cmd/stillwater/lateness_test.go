package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/journal"
	"stillwater/internal/lateness"
	"stillwater/internal/realtime"
	"stillwater/internal/shot"
)

var update = flag.Bool("update", false, "write golden files anew")

// golden compares with a file in testdata/lateness.
func golden(t *testing.T, name string, got []byte) {
	path := filepath.Join("testdata", "lateness", name)
	if *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, got, 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got))
}

// fakeTools measure what they are told to.
func fakeTools(looped, peer bool) latenessTools {
	tools := latenessTools{
		measure: func(_ context.Context, n int, _ *rand.Rand) (pulses []pulseTime, err error) {
			for i := range n {
				late := time.Duration(100+i%7*50) * time.Nanosecond
				if i%100 == 99 {
					late = 20 * time.Microsecond
				}
				pulses = append(pulses, pulseTime{software: late, stamped: late + 1500, looped: looped})
			}
			return pulses, nil
		},
		about: func() latenessAbout {
			a := latenessAbout{Output: "nothing (a board without pins)", Drive: "none", Granted: "memory locked",
				Missing: []string{"no real-time priority 60: the limit of this process is 0; give it more"}, System: "Linux 1.2.3"}
			if looped {
				a.Output, a.Input, a.Drive = `"flash"`, "beam", "calls to the kernel"
			}
			if peer {
				a.Peer = "cyclictest"
			}
			return a
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

func fakeRun(t *testing.T, looped, peer bool) *latenessReport {
	o := &latenessOptions{count: 1000, rounds: 2, interval: time.Millisecond, seed: 7}
	plan := planAtHand{lateness.Plan{Name: "a throw", Again: 9 * time.Millisecond, Limit: time.Millisecond},
		"the usual set"}
	r, err := o.run(t.Context(), fakeTools(looped, peer), plan)
	require.NoError(t, err)
	return r
}

func TestLatenessGolden(t *testing.T) {
	for name, c := range map[string]struct{ looped, peer bool }{
		"null": {false, false}, "loop": {true, false}, "peer": {false, true},
	} {
		t.Run(name, func(t *testing.T) {
			var text, object bytes.Buffer
			r := fakeRun(t, c.looped, c.peer)
			require.NoError(t, r.write(&text))
			golden(t, name+".txt", text.Bytes())
			require.NoError(t, r.writeJSON(&object))
			golden(t, name+".json", object.Bytes())
		})
	}
}

func TestLatenessJSONKeys(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, fakeRun(t, true, true).writeJSON(&b))
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
func TestLatenessTurns(t *testing.T) {
	var asked, askedPeer int
	o := &latenessOptions{count: 1003, rounds: 7}
	tools := fakeTools(false, true)
	measure, peer := tools.measure, tools.peer
	order := ""
	tools.measure = func(ctx context.Context, n int, r *rand.Rand) ([]pulseTime, error) {
		asked += n
		order += "b"
		return measure(ctx, n, r)
	}
	tools.peer = func(ctx context.Context, n int) ([]lateness.Count, error) {
		askedPeer += n
		order += "p"
		return peer(ctx, n)
	}
	r, err := o.run(t.Context(), tools, planAtHand{})
	require.NoError(t, err)
	assert.Equal(t, "bpbpbpbpbpbpbp", order)
	assert.Equal(t, []int{1003, 1003, 1003, 1003}, []int{asked, askedPeer, r.Software.Count, r.Peer.Count})

	tools.peer = func(context.Context, int) ([]lateness.Count, error) { return nil, io.ErrUnexpectedEOF }
	_, err = o.run(t.Context(), tools, planAtHand{})
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

func TestLatenessBadFlags(t *testing.T) {
	dir := t.TempDir()
	simulated := filepath.Join(dir, "simulated.toml")
	require.NoError(t, os.WriteFile(simulated, []byte("[board]\nkind = \"simulated\"\n"), 0o644))
	gpio := filepath.Join(dir, "gpio.toml")
	require.NoError(t, os.WriteFile(gpio, []byte(`[board]
kind = "gpio"
[[board.input]]
name = "stop"
role = "kill"
chip = "gpiochip0"
line = 1
active = "high"
[[board.output]]
name = "flash"
kind = "flash"
chip = "gpiochip0"
line = 2
safe = "low"
longest_on = "10 ms"
`), 0o644))
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"what"}, `"what" is too much`},
		{[]string{"--count", "0"}, "--count 0: give a number from 1"},
		{[]string{"--count", "x"}, "count"},
		{[]string{"--interval", "1us"}, "--interval 1µs: give a time from 200µs to 1s"},
		{[]string{"--rounds", "3"}, "add --peer"},
		{[]string{"--peer", "--rounds", "0"}, "--rounds 0: give a number from 1"},
		{[]string{"--peer", "--count", "3", "--rounds", "4"}, "no more than --count"},
		{[]string{"--priority", "100"}, "--priority 100: give a number from 1 to 99"},
		{[]string{"--cpu", "-2"}, "--cpu -2: give the number of a processor"},
		{[]string{"--output", "flash"}, "add --config FILE"},
		{[]string{"--config", gpio}, "say which may be switched with --output"},
		{[]string{"--config", gpio, "--output", "flash", "--priority", "1"}, "stand in [board]"},
		{[]string{"--config", simulated, "--output", "flash"}, "has no board with pins"},
		{[]string{"--config", gpio, "--output", "lamp"}, `--output "lamp": the configuration has flash`},
		{[]string{"--config", gpio, "--output", "flash", "--input", "beam"}, `--input "beam": the configuration has stop`},
		{[]string{"--config", gpio, "--output", "flash", "--input", "stop"}, "is the kill switch"},
		{[]string{"--plan", "swim"}, `--plan "swim": give drop, throw or sound`},
		{[]string{"--plan", "throw", "--set", "gate"}, "write FIELD=VALUE"},
		{[]string{"--plan", "throw", "--set", "throw.gate=far"}, "throw.gate"},
		{[]string{"--load="}, "load"},
	} {
		m := &Main{Stdout: io.Discard, Stderr: io.Discard, Getenv: func(string) string { return "" }}
		err := m.lateness(t.Context(), c.args)
		assert.ErrorIs(t, err, errUsage, "%v", c.args)
		assert.ErrorContains(t, err, c.want, "%v", c.args)
	}
}

// What was not asked for is not what is wrong.
func TestLatenessFewPulses(t *testing.T) {
	for _, args := range [][]string{{"--count", "1"}, {"--count", "1", "--peer"}} {
		o, flags := latenessFlags()
		require.NoError(t, parseFlags(flags, args))
		assert.NoError(t, o.check(flags), "%v", args)
	}
}

// The plan at hand is that of the latest session, else the usual one, unless flags say otherwise.
func TestLatenessPlan(t *testing.T) {
	home := t.TempDir()
	m := &Main{Stdout: io.Discard, Stderr: io.Discard, Getenv: func(name string) string {
		return map[string]string{"HOME": home, "XDG_STATE_HOME": home}[name]
	}}
	cfg := config.Default()
	plan, err := m.latenessPlan(t.Context(), &latenessOptions{}, cfg)
	require.NoError(t, err)
	assert.Equal(t, "a drop", plan.Name)
	assert.Contains(t, plan.From, "nothing is recorded yet")
	assert.Equal(t, cfg.Board.Late, plan.Limit)

	near, err := m.latenessPlan(t.Context(), &latenessOptions{kind: "throw", sets: []string{"throw.to_focus=40cm"}}, cfg)
	require.NoError(t, err)
	far, err := m.latenessPlan(t.Context(), &latenessOptions{kind: "throw"}, cfg)
	require.NoError(t, err)
	assert.Less(t, near.Again, far.Again, "what is nearer is more exact")
	assert.Equal(t, "as given", near.From)

	path := filepath.Join(home, "evenings.db")
	keep := func(set string) {
		j, err := journal.Open(t.Context(), path)
		require.NoError(t, err)
		_, err = j.NewSession(t.Context(), journal.Session{Name: "rain", Started: time.Unix(1e9, 0), Set: set, Care: "[]"})
		require.NoError(t, err)
		require.NoError(t, j.Close())
	}
	set := shot.DefaultSet()
	set.Kind = shot.Throw
	kept, err := json.Marshal(set)
	require.NoError(t, err)
	keep(string(kept))
	latest, err := m.latenessPlan(t.Context(), &latenessOptions{journal: path}, cfg)
	require.NoError(t, err)
	assert.Equal(t, far.Plan, latest.Plan)
	assert.Equal(t, "the latest session, rain", latest.From)
	keep("{")
	_, err = m.latenessPlan(t.Context(), &latenessOptions{journal: path}, cfg)
	assert.ErrorContains(t, err, "the set of session 2 cannot be read")

	_, err = m.latenessPlan(t.Context(), &latenessOptions{journal: filepath.Join(home, "none.db")}, cfg)
	assert.ErrorContains(t, err, "--plan")
}

// Files in testdata/lateness/cyclictest-*.json were written by cyclictest 2.40 of Debian's rt-tests.
func TestReadCyclictest(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("testdata", "lateness", "cyclictest-ns.json"))
	require.NoError(t, err)
	counts, err := readCyclictest(text)
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

	beyond, err := readCyclictest([]byte(`{"return_code":0,"thread":{"0":{"histogram":{"7":2},"cycles":5,` +
		`"max":2000000}}}`))
	require.NoError(t, err)
	assert.Equal(t, []lateness.Count{{Value: 7, N: 2}, {Value: peerHistogram, N: 2}, {Value: 2_000_000, N: 1}}, beyond)

	for _, bad := range []string{"", "{}", `{"return_code":1,"thread":{"0":{"cycles":3}}}`,
		`{"thread":{"0":{"histogram":{"x":1},"cycles":1}}}`} {
		_, err := readCyclictest([]byte(bad))
		assert.ErrorContains(t, err, "--peer", bad)
	}
}

// The peer gets what the board gets, and no more.
func TestPeerThread(t *testing.T) {
	o := &latenessOptions{priority: 60, cpu: 1}
	answer := func(ok bool) func(realtime.Want) realtime.Report {
		return func(realtime.Want) realtime.Report { return realtime.Report{Grants: []realtime.Grant{{OK: ok}}} }
	}
	assert.Equal(t, []string{"--policy=fifo", "--priority=60", "--affinity=1"}, o.peerThread(answer(true)))
	assert.Equal(t, []string{"--policy=other"}, o.peerThread(answer(false)))
	o = &latenessOptions{cpu: config.AnyCPU}
	assert.Equal(t, []string{"--policy=other"}, o.peerThread(answer(true)))
}

// What the board process says of itself goes into the report, and anything else to whoever looks.
func TestBoardWords(t *testing.T) {
	var rest bytes.Buffer
	w := &boardWords{rest: &rest}
	for _, piece := range []string{"2026/11/25 12:00:00 INFO " + saysGranted + "memory lock",
		"ed\n2026/11/25 WARN " + saysMissing + "no real-time priority 60: so it is\n",
		"INFO " + saysDrive + "registers\nsomething else\n", "and half a li"} {
		n, err := w.Write([]byte(piece))
		require.NoError(t, err)
		assert.Equal(t, len(piece), n)
	}
	var a latenessAbout
	w.fill(&a)
	assert.Equal(t, latenessAbout{Granted: "memory locked", Missing: []string{"no real-time priority 60: so it is"},
		Drive: "registers"}, a)
	assert.Equal(t, "something else\n", rest.String())
}

// Without stress-ng the load is our own, and ends.
func TestLatenessLoadWithoutTool(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	o := &latenessOptions{load: true}
	load, err := o.startLoad(t.Context())
	require.NoError(t, err)
	assert.Contains(t, load.name, "busy loops (stress-ng is not installed)")
	load.stop()
	_, err = o.cyclictest(t.Context(), 10)
	assert.ErrorContains(t, err, "install it (Debian: apt install rt-tests)")
}

// Whoever asks for a verdict by exit status gets it.
func TestLatenessVerdictIsAnError(t *testing.T) {
	late := fakeTools(false, false)
	late.measure = func(_ context.Context, n int, _ *rand.Rand) ([]pulseTime, error) {
		return []pulseTime{{software: time.Second}}, nil
	}
	r, err := (&latenessOptions{count: 1, rounds: 1}).run(t.Context(), late, planAtHand{
		Plan: lateness.Plan{Name: "a throw", Limit: time.Millisecond}})
	require.NoError(t, err)
	assert.False(t, r.Verdict.Good)
	var text bytes.Buffer
	assert.ErrorIs(t, r.answer(&text, false), errLate)
	assert.Contains(t, text.String(), "not good enough for a throw")
	assert.Contains(t, text.String(), "does not grant, above, is the first thing to mend")
	assert.False(t, errors.Is(r.answer(io.Discard, true), errUsage))
}
