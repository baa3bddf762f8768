package journal

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// The test program is its own helper: with helperEnv set it does one thing with the journal at helperPath.
const (
	helperEnv  = "STILLWATER_TEST_HELPER"
	helperPath = "STILLWATER_TEST_JOURNAL"
	helperSeed = "STILLWATER_TEST_SEED"
)

func TestMain(m *testing.M) {
	switch os.Getenv(helperEnv) {
	case "":
		os.Exit(m.Run())
	case "open":
		_, err := Open(context.Background(), os.Getenv(helperPath))
		fmt.Println(err)
	case "look":
		_, err := OpenReadOnly(context.Background(), os.Getenv(helperPath))
		fmt.Println(err)
	case "add":
		if err := addForever(os.Getenv(helperPath), os.Getenv(helperSeed)); err != nil {
			fmt.Println("failed", err)
			os.Exit(1)
		}
	}
}

// addForever adds shots as fast as it can and says what the journal acknowledged, in one write system call each.
func addForever(path, seed string) error {
	ctx := context.Background()
	fmt.Println("started")
	j, err := Open(ctx, path)
	if err != nil {
		return err
	}
	s, ok, err := j.LatestSession(ctx)
	if err == nil && (!ok || strings.HasSuffix(seed, "0")) {
		s, err = j.NewSession(ctx, record.Session{Name: "crash", Started: time.Now(), When: record.When{Boot: seed}})
	}
	if err != nil {
		return err
	}
	fmt.Println("opened")
	go j.Verify(ctx) // as the daemon does
	for i := 0; ; i++ {
		got, err := j.Add(ctx, crashShot(s.ID, fmt.Sprintf("%s/%d", seed, i)))
		if err != nil {
			return err
		}
		fmt.Println("shot", got.ID, got.Session, got.Number, got.Seen)
		if i%4 == 3 {
			if err := j.SetVerdict(ctx, got.ID, "good"); err != nil {
				return err
			}
			fmt.Println("verdict", got.ID)
		}
		if i%4 == 1 {
			note := fmt.Sprint("note-", i)
			if err := j.SetNote(ctx, got.ID, note); err != nil {
				return err
			}
			fmt.Println("note", got.ID, note)
		}
		if i%4 == 2 {
			f := record.Frame{Session: s.ID, Name: fmt.Sprint(seed, "/", i), Picture: make([]byte, 9000), Shot: got.Number}
			if err := j.KeepFrame(ctx, f); err != nil {
				return err
			}
			fmt.Println("frame", f.Session, f.Name)
		}
	}
}

// crashShot is the shot that a key stands for: "boot/second". Its size makes it cover several pages now and then.
func crashShot(session int64, key string) record.Shot {
	var h uint64
	for _, c := range key {
		h = h*31 + uint64(c)
	}
	r := rand.New(rand.NewPCG(h, 0))
	s := someShot(r, session)
	s.Seen, s.Verdict = key, ""
	boot, second, _ := strings.Cut(key, "/")
	s.When.Boot, s.When.Dated = boot, record.Undated
	n, _ := strconv.Atoi(second)
	s.When.SinceBoot = time.Duration(n) * time.Second
	s.Program = strings.Repeat("program ", r.IntN(1500))
	return s
}

// ledger is what was acknowledged.
type ledger struct {
	shots   map[int64]record.Shot // ID, Session, Number and Seen only
	verdict map[int64]bool
	notes   map[int64]string
	frames  []record.Frame // Session and Name
	opened  int            // rounds that lived to see the journal open
}

func newLedger() *ledger {
	return &ledger{shots: map[int64]record.Shot{}, verdict: map[int64]bool{}, notes: map[int64]string{}}
}

// round runs the helper, kills it after so many acknowledgements and then some time, and keeps what it said.
func (l *ledger) round(t *testing.T, path, seed string, after int, then time.Duration) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), helperEnv+"=add", helperPath+"="+path, helperSeed+"="+seed)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	defer cmd.Process.Kill()
	lines := bufio.NewScanner(out)
	for n := 0; lines.Scan(); n++ {
		if n == after {
			time.AfterFunc(then, func() { cmd.Process.Kill() })
		}
		l.note(t, lines.Text())
	}
	assert.ErrorContains(t, cmd.Wait(), "signal: killed", "seed %s", seed)
}

func (l *ledger) note(t *testing.T, line string) {
	t.Helper()
	var s record.Shot
	word, rest, _ := strings.Cut(line, " ")
	switch word {
	case "started":
	case "opened":
		l.opened++
	case "shot":
		_, err := fmt.Sscan(rest, &s.ID, &s.Session, &s.Number, &s.Seen)
		require.NoError(t, err, line)
		require.NotContains(t, l.shots, s.ID, "an ID was given twice")
		l.shots[s.ID] = s
	case "verdict":
		_, err := fmt.Sscan(rest, &s.ID)
		require.NoError(t, err, line)
		l.verdict[s.ID] = true
	case "note":
		_, err := fmt.Sscan(rest, &s.ID, &s.Note)
		require.NoError(t, err, line)
		l.notes[s.ID] = s.Note
	case "frame":
		var f record.Frame
		_, err := fmt.Sscan(rest, &f.Session, &f.Name)
		require.NoError(t, err, line)
		l.frames = append(l.frames, f)
	default:
		require.Fail(t, "helper: "+line)
	}
}

// look reads the journal as the crash left it, as "stillwater record" would before the daemon runs again.
func (l *ledger) look(t *testing.T, path string) {
	t.Helper()
	j, err := OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	defer j.Close()
	n, err := j.Count(t.Context(), 0)
	require.NoError(t, err)
	require.GreaterOrEqual(t, n, len(l.shots))
}

// check opens the journal and holds it against the ledger.
func (l *ledger) check(t *testing.T, path string) (kept int) {
	t.Helper()
	j, err := Open(t.Context(), path)
	require.NoError(t, err)
	defer j.Close()
	var whole string
	require.NoError(t, j.db.QueryRow("PRAGMA integrity_check").Scan(&whole))
	require.Equal(t, "ok", whole)
	shots := newestFirst(t, j, 0)
	byID, keys, last := map[int64]record.Shot{}, map[string]bool{}, map[int64]int{}
	for i := len(shots) - 1; i >= 0; i-- {
		s := shots[i]
		last[s.Session]++
		require.Equal(t, last[s.Session], s.Number, "numbers without gaps")
		require.False(t, keys[s.Seen], "%s is there twice", s.Seen)
		keys[s.Seen], byID[s.ID] = true, s
		want := crashShot(s.Session, s.Seen) // acknowledged or not: whole
		want.ID, want.Number, want.Verdict, want.When.Number = s.ID, s.Number, s.Verdict, s.When.Number
		want.Note = s.Note
		require.Equal(t, want, s)
	}
	for id, said := range l.shots {
		s := byID[id]
		require.Equal(t, said, record.Shot{ID: s.ID, Session: s.Session, Number: s.Number, Seen: s.Seen}, "acknowledged")
	}
	for id := range l.verdict {
		require.Equal(t, record.Good, byID[id].Verdict, "acknowledged verdict of shot %d", id)
	}
	for id, note := range l.notes {
		require.Equal(t, note, byID[id].Note, "acknowledged note of shot %d", id)
	}
	for _, f := range l.frames {
		picture, err := j.FramePicture(t.Context(), f.Session, f.Name)
		require.NoError(t, err, "acknowledged frame %s", f.Name)
		require.Len(t, picture, 9000)
	}
	return len(shots)
}

// A kill -9 loses no acknowledged shot. (It cannot show what a power cut does: that rests on synchronous=full.)
func TestKilledWhileAdding(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	path := newPath(t)
	l := newLedger()
	const rounds = 40
	began := time.Now()
	kept := 0
	for i := range rounds {
		l.round(t, path, fmt.Sprint(seed, "-", i), r.IntN(60), time.Duration(r.Int64N(int64(3*time.Millisecond))))
		if l.opened > 0 {
			l.look(t, path)
		}
		kept = l.check(t, path)
		require.LessOrEqual(t, kept, len(l.shots)+i+1, "at most one shot a round was kept and not acknowledged")
	}
	require.NotEmpty(t, l.shots)
	require.NotEmpty(t, l.frames)
	t.Logf("%d rounds, %d shots acknowledged, %d kept, %d verdicts, %d notes, %d frames, %v", rounds, len(l.shots), kept,
		len(l.verdict), len(l.notes), len(l.frames), time.Since(began).Round(time.Millisecond))
}

// A kill -9 while the journal is being made leaves one that opens, empty or whole.
func TestKilledWhileOpening(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	began := time.Now()
	j := open(t, newPath(t))
	takes := time.Since(began)
	require.NoError(t, j.Close())

	opened := 0
	const rounds = 30
	for i := range rounds {
		path := filepath.Join(t.TempDir(), "journal.db")
		l := newLedger()
		for k := range 2 {
			l.round(t, path, fmt.Sprint(seed, "-", i, "-", k, "0"), 0, time.Duration(r.Int64N(int64(takes))))
		}
		l.check(t, path)
		opened += l.opened
	}
	t.Logf("opening takes %v here; %d of %d were killed before it was done", takes, 2*rounds-opened, 2*rounds)
}
