package history

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
	"stillwater/internal/strip"
)

func setText(t testing.TB, change func(*shot.Set)) string {
	t.Helper()
	set := shot.DefaultSet()
	change(&set)
	text, err := json.Marshal(set)
	require.NoError(t, err)
	return string(text)
}

// made is a drop's shot with a delay and a verdict.
func made(t testing.TB, delayMs float64, verdict record.Verdict) record.Shot {
	t.Helper()
	delay := int64(delayMs * 1e6)
	return record.Shot{Status: record.StatusDone, Set: setText(t, func(*shot.Set) {}), DelayNs: delay, Verdict: verdict,
		Cues: []record.Cue{{Name: "flash", PlannedNs: delay, OnNs: delay}}}
}

func times(n int, s record.Shot) (list []record.Shot) {
	for range n {
		list = append(list, s)
	}
	return list
}

func join(parts ...[]record.Shot) (all []record.Shot) {
	for _, p := range parts {
		all = append(all, p...)
	}
	for i := range all {
		all[i].Number = i + 1
	}
	return all
}

// Judged is what a person judged, in what is counted as in what is learned; what was only measured is called that.
func TestJudgedIsByAPerson(t *testing.T) {
	contact := func(verdict record.Verdict) record.Shot {
		s := made(t, 96, verdict)
		s.Set = setText(t, func(set *shot.Set) { set.Kind, set.Drop.Phase = shot.Drop, splash.Contact })
		return s
	}
	measured := contact("")
	measured.PastSDUm = 500
	sum := Summarize(join(times(3, measured), times(4, contact("good"))), new(shot.Outcomes)).ByKind[0]
	assert.Equal(t, "Too few tries: 4 judged so far, at most 4 of them at one delay; it takes 5 at one.", sum.Why)
	require.NotNil(t, sum.Learned)
	assert.Contains(t, sum.Learned.Advice.Facts[0].Text, "7 of 7 (4 judged, 3 only measured)")
	sum = Summarize(join(times(6, measured)), new(shot.Outcomes)).ByKind[0]
	assert.Equal(t, "No try is judged yet; what follows was measured in the pictures.", sum.Why)
	assert.Contains(t, sum.Learned.Advice.Facts[0].Text, "6 of 6 measured")
	assert.Contains(t, strip.Draw(sum.Strip(100), strip.Options{}).Words, ": 6 measured.")
}

// The best delay is that with the largest share of good ones; one that has few tries has no share worth the name.
func TestBestDelay(t *testing.T) {
	shots := join(times(2, made(t, 90, "good")), times(6, made(t, 96, "good")), times(2, made(t, 96.2, "late")),
		times(4, made(t, 100, "good")), times(3, made(t, 100, "early")))
	got := Summarize(shots, new(shot.Outcomes))
	require.Len(t, got.ByKind, 1)
	assert.Equal(t, 17, got.Shots)
	require.NotNil(t, got.ByKind[0].Best)
	assert.Equal(t, Best{At: 96050 * time.Microsecond, Good: 6, Tries: 8}, *got.ByKind[0].Best)
	assert.Empty(t, got.ByKind[0].Why)

	for want, shots := range map[string][]record.Shot{
		"Too few tries: 4 judged so far, at most 4 of them at one delay; it takes 5 at one.": join(
			times(4, made(t, 96, "good")), times(9, made(t, 96, "")), times(9, made(t, 96, "too high"))),
		"No delay with 5 tries or more has a good one yet.": join(times(5, made(t, 96, "late")),
			times(2, made(t, 90, "good"))),
	} {
		got := Summarize(shots, new(shot.Outcomes)).ByKind[0]
		assert.Nil(t, got.Best)
		assert.Equal(t, want, got.Why)
	}
}

// What counts for a delay speaks of the time, and of the delay, not of the machine.
func TestWhatIsCounted(t *testing.T) {
	for verdict, counts := range map[record.Verdict]bool{"early": true, "good": true, "late": true, "nothing there": true,
		"too high": false, "too low": false, "": false} {
		got := Summarize([]record.Shot{made(t, 96, verdict)}, new(shot.Outcomes)).ByKind[0]
		assert.Equal(t, counts, got.List[0].Counted, verdict)
	}
	black, blurred, lateMachine, failed, damaged, odd := made(t, 96, "good"), made(t, 96, "good"), made(t, 96, "late"),
		made(t, 96, "good"), made(t, 96, "good"), made(t, 96, "good")
	black.Picture, blurred.Picture = record.PictureBlack, record.PictureBlurred
	lateMachine.Cues[0].OnNs += 24e6
	failed.Status, damaged.Damaged, odd.Set, blurred.Star = record.StatusLate, "its checksum does not match", "odd", true
	got := Summarize([]record.Shot{black, blurred, lateMachine, failed, damaged, odd, {Lost: true}}, new(shot.Outcomes))
	assert.Equal(t, 7, got.Shots)
	assert.Equal(t, 5, got.Uncounted)
	assert.Equal(t, 1, got.Keepers)
	require.Len(t, got.ByKind[0].List, 2)
	assert.False(t, got.ByKind[0].List[0].Counted, "a black picture shows nothing")
	assert.True(t, got.ByKind[0].List[1].Counted)
}

// Each throw has a delay of its own: what a person varies is the trim. Kinds are not mixed.
func TestTriesByTrimForThrows(t *testing.T) {
	var shots []record.Shot
	for i := range 12 {
		s := made(t, 100+7.7*float64(i), []record.Verdict{record.Early, record.Good}[i%2])
		s.Set = setText(t, func(set *shot.Set) { set.Kind, set.Trim.Throw = shot.Throw, phys.Time(16e-3*float64(i%2)) })
		shots = append(shots, s)
	}
	got := Summarize(append(shots, made(t, 96, "good")), new(shot.Outcomes)).ByKind
	require.Len(t, got, 2)
	assert.Equal(t, []any{shot.Throw, strip.ByTrim, 12}, []any{got[0].Kind, got[0].Axis, len(got[0].List)})
	assert.Equal(t, Best{At: 16 * time.Millisecond, Good: 6, Tries: 6}, *got[0].Best)
	assert.Equal(t, []any{shot.Drop, strip.ByDelay, 1}, []any{got[1].Kind, got[1].Axis, len(got[1].List)})
	assert.Empty(t, Summarize(nil, new(shot.Outcomes)).ByKind)
}

// A session and a shot are found by what the record says of them.
func TestWords(t *testing.T) {
	s := record.Summary{Session: record.Session{Name: "Crowns in milk", Set: `{"kind":"drop"}`,
		Started: time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)}}
	text := SessionText(s)
	for words, want := range map[string]bool{"CROWN": true, "milk 2026-11-24": true, "tuesday drop": true,
		"november": true, "throw": false, "": true} {
		assert.Equal(t, want, NewQuery(strings.Fields(words)).MatchSession(text), words)
	}
	keeper := record.Shot{Verdict: "too low", Note: "Rim torn", Star: true, Picture: record.PictureBlurred, File: 471,
		Frame: "PICT0902", At: s.Started.Add(24 * time.Hour), Set: `{"kind":"throw"}`}
	for words, want := range map[string]bool{"torn": true, "crowns": false, "crowns rim": true, "keeper": true,
		"0471": true, "0902": true, "sheet": true, "too low milk": true, "wednesday throw": true,
		"unjudged": false, "rim absent": false} {
		assert.Equal(t, want, NewQuery(strings.Fields(words)).MatchShot(text, keeper), words)
	}
	assert.Equal(t, []string{"unjudged"}, Remarks(record.Shot{}))

	s.Set = `{"kind":"sound"}` // chosen when the evening was over
	assert.Equal(t, []string{"sound"}, SessionKinds(s), "nothing was shot")
	s.Shots, s.Kinds = 2, []string{"throw", "drop"}
	assert.Equal(t, []string{"throw", "drop"}, SessionKinds(s))
	for words, want := range map[string]bool{"throw": true, "drop": true, "drop throw": true, "sound": false} {
		assert.Equal(t, want, NewQuery(strings.Fields(words)).MatchSession(SessionText(s)), words)
	}
	s.Kinds = nil
	assert.Empty(t, SessionKinds(s), "not known")
}

func BenchmarkSummarize(b *testing.B) {
	shots := times(5000, made(b, 96, "good"))
	for b.Loop() {
		Summarize(shots, new(shot.Outcomes))
	}
}

// What is learned is that of the newest shot's set, and it is drawn with the tries.
func TestWhatIsLearned(t *testing.T) {
	sum := Summarize(join(times(4, made(t, 96, "good")), times(2, made(t, 90, "early"))), new(shot.Outcomes))
	require.Len(t, sum.ByKind, 1)
	tries := sum.ByKind[0]
	require.NotNil(t, tries.Learned)
	assert.Equal(t, 6, tries.Learned.Advice.Counted)
	drawn := tries.Strip(3)
	assert.Len(t, drawn.Tries, 3)
	assert.NotNil(t, drawn.Advice)
	assert.Equal(t, 96*time.Millisecond, drawn.Zero, "a trim of 0 is the delay of the newest")
	assert.Nil(t, Summarize(times(3, made(t, 96, "")), new(shot.Outcomes)).ByKind[0].Learned, "nothing is judged")
}
