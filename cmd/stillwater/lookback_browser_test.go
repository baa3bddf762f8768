package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/journal"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// twoEvenings writes a journal of an evening of drops and a later one of throws, of which the machine made one late.
func twoEvenings(t *testing.T, path string) {
	t.Helper()
	ctx := t.Context()
	j, err := journal.Open(ctx, path)
	require.NoError(t, err)
	defer func() { require.NoError(t, j.Close()) }()
	at := time.Date(2026, 11, 17, 20, 0, 0, 0, time.Local)
	drops, throws := shot.DefaultSet(), shot.DefaultSet()
	drops.Drop.Height, throws.Kind, throws.Throw.Gate = 0.33, shot.Throw, 0.1
	for night, set := range []shot.Set{drops, throws} {
		s, err := j.NewSession(ctx, record.Session{Name: []string{"Crowns in milk", "Sheets of red water"}[night],
			Started: at.AddDate(0, 0, 7*night), Board: "simulated", Set: setText(t, set), Care: "[]"})
		require.NoError(t, err)
		for i := range 12 {
			made := record.Shot{Session: s.ID, At: at.AddDate(0, 0, 7*night).Add(time.Duration(i) * time.Minute),
				Status: record.StatusDone, Set: setText(t, set), Program: "{}", Simulated: true, DelayNs: 96e6,
				Verdict: []record.Verdict{"good", "early", "good", ""}[i%4],
				Cues:    []record.Cue{{Name: "flash", PlannedNs: 96e6, OnNs: 96e6 + 400, OffNs: 97e6}}}
			if set.Kind == shot.Throw {
				made.IntervalNs = 25e6
			}
			if night == 1 && i == 1 {
				made.Cues[0].OnNs, made.Verdict = 120e6, ""
			}
			if night == 0 && i == 4 {
				made.Note = "a fine rim"
			}
			made, err := j.Add(ctx, made)
			require.NoError(t, err)
			if night == 0 && i == 2 {
				require.NoError(t, j.SetFile(ctx, made.ID, 9999))
			}
		}
	}
}

// kept is a shot as the journal has it.
func kept(t *testing.T, path string, session int64, number int) record.Shot {
	t.Helper()
	j, err := journal.OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	defer j.Close()
	made, err := j.Shot(t.Context(), session, number)
	require.NoError(t, err)
	return made
}

// roomy asserts that whatever can be pressed where one looks back is at least 48 px high and wide.
func (p *phone) roomy(where string) {
	p.t.Helper()
	p.fit(where)
	small := eval[[]string](p, `[...document.querySelectorAll("#lookback :is(button, input, summary)")]
		.filter((n) => n.checkVisibility() && n.getBoundingClientRect().height > 0)
		.filter((n) => n.getBoundingClientRect().height < 47.9 || n.getBoundingClientRect().width < 47.9)
		.map((n) => n.outerHTML.slice(0, 120))`)
	assert.Empty(p.t, small, "%s: under 48 px", where)
}

const (
	eveningTitle = `document.querySelector(".evening h3")?.textContent`
	eveningRows  = `[...document.querySelectorAll(".evening-title")].map((n) => n.textContent).join("; ")`
)

// shotRow is a row's text, line by line.
func (p *phone) shotRow(number int) string {
	p.t.Helper()
	lines := eval[[]string](p, fmt.Sprintf(`[...document.querySelectorAll('[data-number="%d"] .row-line')].map(
		(n) => n.textContent.replaceAll("\u00a0", " ").trim())`, number))
	return strings.Join(lines, " | ")
}

// TestLookBack: past evenings are found, opened, judged, named, used again and compared on the real daemon.
func TestLookBack(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	d := &machine{journal: filepath.Join(t.TempDir(), "journal.db")}
	twoEvenings(t, d.journal)
	d.daemonRun = startDaemon(t, "--listen", "127.0.0.1:0", "--seed", "7", "--journal", d.journal)
	p := b.phone(t, d.url+"/#code="+d.code, 390, 844, true)
	p.state("safe", "Safe")
	p.until("this phone holds the controls", holding)
	p.place("lookback")
	p.until("evenings are listed, newest first",
		eveningRows+` === "Sheets of red water (open now); Crowns in milk"`)
	p.roomy("evenings")
	p.picture("lookback-01-evenings")
	p.light("evenings", 2.8)

	findByWord(p)
	openEvening(p)
	judgeThrow(p, d)
	judgeBeside(p)
	compareEvenings(p)
	setAgain(p)
	goneAndBack(p, d)
	newEvening(p)
	p.clean()
}

// TestMeasuredRows: what was measured in a shot's frame stands in its row with its uncertainty, whole on a narrow
// phone.
func TestMeasuredRows(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "journal.db")
	twoEvenings(t, path)
	j, err := journal.Open(t.Context(), path)
	require.NoError(t, err)
	for shot, um := range map[int][2]int64{12: {19_000, 40_000}, 11: {-4_200, 3_100}} {
		made, err := j.Shot(t.Context(), 2, shot)
		require.NoError(t, err)
		require.NoError(t, j.SetPast(t.Context(), made.ID, um[0], um[1]))
	}
	require.NoError(t, j.Close())
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--seed", "7", "--journal", path)
	p := startBrowser(t).phone(t, d.url+"/#code="+d.code, 360, 640, true)
	p.place("lookback")
	p.until("evenings are listed", `document.querySelector(".evening-open")`)
	p.tap(".evening-open")
	p.until("it is open", `document.querySelector(".to-shots")?.checkVisibility()`)
	p.tap(".to-shots")
	p.until("its shots are there", `document.querySelector('[data-number="11"] .row-measured')`)
	const within = `((word, row) => word.width > 0 && word.right <= row.right)(
		...[%[1]s, %[1]s.closest(".row-line")].map((n) => n.getBoundingClientRect()))`
	for shot, want := range map[int]string{12: "Measured: 19 ± 40 mm past", 11: "Measured: 4.2 ± 3.1 mm short"} {
		measured := fmt.Sprintf(`document.querySelector('[data-number="%d"] .row-measured')`, shot)
		assert.Equal(t, want, eval[string](p, measured+`.textContent.replaceAll("\u00a0", " ")`))
		assert.True(t, eval[bool](p, fmt.Sprintf(within, measured)), "none of it is cut off")
	}
	p.js(`document.querySelector('[data-number="11"]').scrollIntoView({ block: "center" })`)
	p.fit("measured rows")
	p.picture("measured-rows")
	p.clean()
}

func findByWord(p *phone) {
	t := p.t
	p.enter("#find", "fine rim")
	p.until("the evening with the note is found",
		`document.querySelector(".found").textContent.trim() === "One evening has “fine rim”."`)
	assert.Equal(t, "Crowns in milk", eval[string](p, eveningRows))
	assert.Equal(t, "Found: No. 5", p.text(".evening-where"))
	for _, c := range [][2]string{{"0002", "Crowns in milk"}, {"throw", "Sheets of red water (open now)"},
		{"17 november", "Crowns in milk"}, {"nobody", ""}} {
		p.enter("#find", c[0])
		p.until("found: "+c[0], fmt.Sprintf(`document.querySelector(".found").textContent.includes(%q)`, "“"+c[0]+"”"))
		assert.Equal(t, c[1], eval[string](p, eveningRows), c[0])
	}
	assert.Contains(t, p.text(".found"), "No evening has “nobody”. Try a part of a word")
	p.roomy("nothing found")
	p.enter("#find", "crown rim")
	p.until("both words", eveningRows+` === "Crowns in milk"`)
}

func openEvening(p *phone) {
	t := p.t
	p.tap(".evening-open")
	p.until("it is open", eveningTitle+` === "Crowns in milk"`)
	p.until("its shots are there", `document.querySelector('[data-number="12"]')`)
	p.until("and what came of them", `document.querySelector(".counts").textContent.includes("6 good")`)
	assert.Equal(t, "Most often good: delay 96.0 ms, 6 of 9 tries.", p.plain(".best-line"))
	words := strings.ReplaceAll(eval[string](p, `document.querySelector(".evening .tries").ariaLabel`), "\u00a0", " ")
	assert.True(t, strings.HasPrefix(words, "12 tries at a delay of 96.0 ms: 6 good, 3 early, 3 not judged. "+
		"Most often good: delay 96.0 ms, 6 of 9 tries. Try a trim of +3 ms, a delay of 99 ms."), words)
	assert.Contains(t, p.plain(".evening .found-facts"), "6 of 9 judged")
	p.tap(".tries-list summary")
	assert.Equal(t, "96633", p.plain(".tries-list tbody"), "the same as a table")
	p.tap(".past-set summary")
	assert.True(t, eval[bool](p, `document.querySelector(".past-set svg.elevation").checkVisibility()`))
	assert.Contains(t, p.plain(".past-set .values"), "Nozzle tip to water33 cm")
	p.roomy("evening")
	p.narrow("evening")
	p.picture("lookback-02-evening")
	p.light("evening", 2.8)

	p.tap(".to-shots")
	p.until("the shots come into view", `document.querySelector('[data-number="5"]')`)
	assert.Equal(t, "No. 5 20:04:00 file 0002 | 96.00 ms | Good, a fine rim", p.shotRow(5))
	assert.Equal(t, "No. 3 20:02:00 file 9999 | 96.00 ms | Good", p.shotRow(3))
	assert.Equal(t, "No. 2 20:01:00 | 96.00 ms | Early", p.shotRow(2))
	p.tap(".matches button")
	p.until("the one that was found is opened", `document.querySelector('[data-number="5"] .past-detail') &&
		document.activeElement.closest("[data-number]").dataset.number === "5"`)
	assert.Equal(t, "a fine rim", p.value(`[data-number="5"] [id^="past-note"]`))
	const aim = `document.querySelector('[data-number="5"] [data-verdict="too high"]')`
	assert.False(t, eval[bool](p, aim+`.checkVisibility()`),
		"a drop is not thrown too high")
	p.roomy("opened row")
	p.enter(`[data-number="5"] [id^="past-file"]`, "0471")
	p.until("Later shots count on",
		`document.querySelector('[data-number="7"] .row-file')?.textContent === "file 0473"`)
	assert.Contains(t, p.shotRow(4), "file 0001", "those before it do not")
	p.tap(`[data-number="5"] [data-picture="blurred"]`)
	p.until("it is blurred",
		`document.querySelector('[data-number="5"] .row-picture')?.textContent === "Blurred"`)
	p.tap(`[data-number="7"] .star`)
	p.until("it is kept", `document.querySelector('[data-number="7"] .star').ariaPressed === "true"`)
	p.until("and counted", `document.querySelector(".counts").textContent.includes("one keeper")`)
	p.tap(`.filters button:last-child`)
	p.until("only keepers are shown", `document.querySelectorAll(".past-shot").length === 1`)
	assert.Contains(t, p.shotRow(7), "No. 7")
	p.tap(`.filters button:first-child`)
	p.until("all are shown", `document.querySelectorAll(".past-shot").length === 12`)

	p.tap(".rename summary")
	p.enter(".rename input", "Crowns, deep pool")
	p.until("it has the name", eveningTitle+` === "Crowns, deep pool"`)
	p.do(chromedp.Reload())
	p.state("safe", "Safe")
	p.until("a reload leads back to it", eveningTitle+` === "Crowns, deep pool" && document.querySelector(".counts li")`)
	p.until("with the controls", holding)
	p.js(`location.hash = "bar"`) // as the link to the bar does
	p.do(chromedp.NavigateBack())
	p.until("that is no step here", eveningTitle+` === "Crowns, deep pool"`)
	p.do(chromedp.NavigateBack())
	p.until("back is the list",
		eveningRows+` === "Sheets of red water (open now); Crowns, deep pool"`)
	p.until("where it was pressed", `document.activeElement.textContent.startsWith("Crowns, deep pool")`)
}

func judgeThrow(p *phone, d *machine) {
	t := p.t
	p.js(`document.querySelector("#find").value = ""; document.querySelector("#find").dispatchEvent(new Event("input"))`)
	p.until("all are listed", `document.querySelectorAll(".evening-open").length === 2`)
	p.tap(".evening-open")
	p.until("it is open",
		eveningTitle+` === "Sheets of red water" && document.querySelector('[data-number="12"]')`)
	p.tap(".to-shots")
	p.until("the shots come into view", `document.querySelector('[data-number="2"]')`)
	// 10 cm in 25 ms are 4 m/s in the middle; in the 12.5 ms after that it loses 12.5 ms * 9.81 m/s^2 * sin 20 deg.
	assert.Equal(t, "No. 2 20:01:00 | 96.00 ms · 3.95 m/s | Machine 24.0 ms late", p.shotRow(2))
	p.tap(`[data-number="2"] .row-open`)
	p.until("why is said", `document.querySelector('[data-number="2"] .problem')?.textContent.includes(
		"The machine, not the delay, was late")`)
	assert.False(t, eval[bool](p, `document.querySelector('[data-number="2"] .verdicts').checkVisibility()`))
	p.tap(`[data-number="1"] .row-open`)
	p.until("one is open at a time", `document.querySelectorAll(".past-detail").length === 1`)
	p.tap(`[data-number="1"] [data-verdict="too high"]`)
	p.until("it was too high", `document.querySelector('[data-number="1"] .row-verdict').textContent === "Too high"`)
	p.until("and is counted", `document.querySelector(".counts").textContent.includes("1 too high")`)
	assert.Equal(t, record.TooHigh, kept(t, d.journal, 2, 1).Verdict)
	p.roomy("throw judged")
	p.picture("lookback-03-too-high")
	p.light("opened shot", 2.8)
	first := kept(t, d.journal, 1, 7)
	assert.Equal(t, []any{true, 473}, []any{first.Star, first.File})
	assert.Equal(t, "blurred", kept(t, d.journal, 1, 5).Picture)

	p.tap(".evening .past-field #next-file")
	p.enter("#next-file", "100")
	p.until("the next picture has a number", `document.querySelector("#next-file").value === "0100"`)
	p.js(`document.querySelector("#lookback").scrollTo(0, 0)`)
	p.tap(".back")
	p.until("the list", `document.querySelector("#find").checkVisibility()`)
	p.until("what was judged is counted", `document.querySelector(".evening-judged").textContent.includes("1 too high")`)
}

// judgeBeside: on a desk the list stands beside the shots, and what is judged there is counted in it.
func judgeBeside(p *phone) {
	p.resize(1280, 800)
	p.tap(`#verdicts [data-verdict="late"]`)
	p.until("it is counted", `document.querySelector(".evening-judged").textContent.includes("1 late")`)
	p.resize(390, 844)
}

func setAgain(p *phone) {
	t := p.t
	p.tap(".evenings li:last-child .evening-open")
	p.until("it is open", eveningTitle+` === "Crowns, deep pool" && document.querySelector(".counts li")`)
	p.tap(".again-begin")
	p.until("what differs is said first", `document.querySelector(".changes")`)
	assert.Equal(t, "What fliesThrown sheet → Falling dropNozzle tip to water40 cm → 33 cm", p.plain(".changes"))
	p.roomy("again")
	p.picture("lookback-04-again")
	p.tap(".again-put")
	p.until("it is done", `document.querySelector(".again-done").textContent.includes("Nothing was armed")`)
	p.state("safe", "Safe")
	p.place("setup")
	p.until("the set is in the next shot", `document.querySelector("#f-drop-height")?.value === "33"`)
	p.place("lookback")
	p.until("it is where it was", eveningTitle+` === "Crowns, deep pool"`)
	p.tap(".again-begin")
	p.until("nothing differs now", `document.querySelector(".again").textContent.includes("already has this set")`)
	assert.False(t, eval[bool](p, `document.querySelector(".again-put").checkVisibility()`))
	p.tap(".again-leave")
	p.tap(".back")
	p.until("the list", `document.querySelector("#find").checkVisibility()`)
}

func compareEvenings(p *phone) {
	t := p.t
	p.tap(".evenings li:last-child .evening-open")
	p.until("it is open", eveningTitle+` === "Crowns, deep pool" && document.querySelector(".counts li")`)
	p.tap(".evening .acts > button")
	p.until("another is chosen",
		`document.querySelector(".choosing").textContent.includes("Crowns, deep pool")`)
	assert.True(t, eval[bool](p, `document.querySelector(".evenings li:last-child button").disabled`), "not with itself")
	p.roomy("choosing")
	p.tap(".evening-open")
	p.until("both are there", `document.querySelectorAll(".side-by-side").length === 2`)
	assert.Contains(t, p.plain(".side-by-side"), "What flewFalling dropThrown sheet")
	assert.Contains(t, p.plain(".side-by-side"), "Good65")
	assert.Contains(t, p.plain(".side-by-side:nth-of-type(2)"), "What flies")
	p.roomy("compare")
	p.narrow("compare")
	p.picture("lookback-05-compare")
	p.light("compare", 2.8)
	p.do(chromedp.NavigateBack())
	p.until("back is the evening",
		eveningTitle+` === "Crowns, deep pool" && document.querySelector(".evening").checkVisibility()`)
	p.do(chromedp.NavigateBack())
	p.until("and then the list", `document.querySelector("#find").checkVisibility() &&
		!document.querySelector(".choosing").checkVisibility()`)
}

// goneAndBack: when the machine is gone, that is said, and nothing pretends to work; when it is back it goes on.
// newEvening: an evening that began while another was looked at is in the list when one comes back to it.
func newEvening(p *phone) {
	p.enter("#find", "")
	p.until("all are listed", eveningRows+` === "Sheets of red water (open now); Crowns, deep pool"`)
	p.tap(".evening-open")
	p.until("it is open", `document.querySelector('[data-number="12"]')`)
	p.place("setup")
	p.enter("#session-name", "Another evening")
	p.until("it began", `document.querySelector("#session-words").textContent.includes("Another evening")`)
	p.js(`window.began = performance.now()`)
	p.until("the list, out of sight, is not read again", `performance.now() > window.began + 2500`)
	p.place("lookback")
	p.tap(".back")
	p.until("it is listed",
		eveningRows+` === "Another evening (open now); Sheets of red water; Crowns, deep pool"`)
}

func goneAndBack(p *phone, d *machine) {
	t := p.t
	p.tap(".evening-open")
	p.until("it is open", `document.querySelector('[data-number="12"]')`)
	p.away.Store(true)
	assert.Zero(t, d.stop())
	p.state("lost", "Not connected")
	p.until("it is read out", `document.querySelector("#alarm").textContent.startsWith("Not connected")`)
	assert.False(t, eval[bool](p, `[".place-notice", "#bar-hint"].some(
		(s) => document.querySelector(s).checkVisibility())`), "it is said once")
	assert.Zero(t, eval[int](p, `[...document.querySelectorAll(
		"#lookback :is(.star, .again-begin, .rename button)")].filter(
		(b) => !b.disabled).length`), "what would change something")
	p.roomy("not connected")
	p.picture("lookback-06-not-connected")
	p.do(chromedp.NavigateBack())
	p.until("the list is still there", `document.querySelector(".evening-open")?.checkVisibility()`)
	p.enter("#find", "crowns")
	p.until("and says that nothing was searched",
		`document.querySelector(".found").textContent.trim() === "Not loaded yet."`)
	d.start()
	p.state("safe", "Safe")
	p.until("it is over for a reader, too", `document.querySelector("#alarm").textContent === ""`)
	p.until("it goes on by itself",
		`document.querySelector(".found").textContent.startsWith("One evening has “crowns”.")`)
	p.away.Store(false)
	assert.False(t, eval[bool](p, `document.querySelector(".place-notice").checkVisibility()`))
}

// madeUpRecord is a record of sessions of so many shots, made up as they are asked for.
type madeUpRecord struct {
	sessions, shots int
	set             string

	mu    sync.Mutex
	asked int                         // for shots
	slow  func(context.Context) error // what a search waits for
}

func (l *madeUpRecord) Sessions(ctx context.Context) ([]record.Summary, error) {
	l.mu.Lock()
	slow := l.slow
	l.mu.Unlock()
	if slow != nil {
		if err := slow(ctx); err != nil {
			return nil, err
		}
	}
	var all []record.Summary
	for id := int64(l.sessions); id > 0; id-- {
		all = append(all, record.Summary{Session: record.Session{ID: id, Name: fmt.Sprintf("evening %d", id),
			Started: time.Date(2026, 1, 1, 20, 0, 0, 0, time.Local).AddDate(0, 0, int(id)), Board: "gpio", Set: l.set},
			Shots: l.shots, Verdicts: map[record.Verdict]int{"good": l.shots}, Kinds: []string{"drop", "throw"}})
	}
	return all, nil
}

func (l *madeUpRecord) ShotsBefore(_ context.Context, session int64, before, limit int) (list []record.Shot, _ error) {
	l.mu.Lock()
	l.asked++
	l.mu.Unlock()
	if before == 0 {
		before = l.shots + 1
	}
	for n := before - 1; n > 0 && len(list) < min(limit, 200); n-- {
		s := record.Shot{ID: int64(n), Session: session, Number: n, At: time.Unix(int64(n), 0), Status: record.StatusDone,
			Set: l.set, DelayNs: 96e6, Verdict: "good", Star: n%1000 == 0}
		if n == l.shots-1 {
			s.Status, s.Verdict = record.StatusDisarmed, "early"
		}
		s.Framed = n == l.shots
		list = append(list, s)
	}
	return list, nil
}

func (l *madeUpRecord) KeepersBefore(ctx context.Context, session int64, before, limit int) ([]record.Shot, error) {
	return nil, nil
}
func (l *madeUpRecord) Remarked(context.Context, func(record.Shot)) error         { return nil }
func (l *madeUpRecord) FileNumbers(context.Context, func(record.Shot, int)) error { return nil }

func (l *madeUpRecord) FrameNames(context.Context, func(int64, int, string)) error { return nil }
func (l *madeUpRecord) ShotPicture(context.Context, int64) ([]byte, error) {
	return framestest.Plain(48, 32), nil
}
func (l *madeUpRecord) StoredSet(context.Context, int64, int64) (string, error) { return l.set, nil }

// TestLookBackTenThousand: an evening of ten thousand shots is read in parts as they come near; nothing moves when one
// comes, and what is far away takes no room.
func TestLookBackTenThousand(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	long := &madeUpRecord{sessions: 60, shots: 10_000, set: setText(t, shot.DefaultSet())}
	m, p := b.stage(t, func(m *fakeControl) { m.record, m.snap.Session.ID = long, 99 })
	p.place("lookback")
	p.until("evenings are listed", `document.querySelector(".evening-open")`)
	assert.Contains(t, p.plain(".evening-when"), "Falling drop, thrown sheet · 10000 shots")
	p.tap(".evenings li:nth-child(30) .evening-open")
	p.until("its newest shots are there", `document.querySelector('[data-number="10000"]')`)
	p.until("and what came of them", `document.querySelector(".counts li")`)
	p.tap(".to-shots")
	p.until("they are in view", `document.querySelector('[data-number="10000"]')`)
	at := time.Unix(9999, 0).Format("15:04:05")
	assert.Equal(t, "No. 9999 "+at+" | 96.00 ms | Not done: disarmed, Early", p.shotRow(9999))

	p.tap(`[data-number="10000"] .row-open`)
	p.until("the camera's frame of it is shown", `document.querySelector(".past-frame img")?.naturalWidth === 48`)
	assert.Equal(t, "The camera's frame of shot 10000, called Good",
		eval[string](p, `document.querySelector(".past-frame img").alt`))
	p.picture("lookback-frame")
	p.tap(`[data-number="9999"] .row-open`)
	p.until("one without has none", `document.querySelector(".past-frame")?.checkVisibility() === false`)
	p.until("its verdict can be taken back, and no other be given", `[...document.querySelectorAll(
		'[data-number="9999"] [data-verdict]')].filter((n) => n.matches("button") && n.checkVisibility())
		.map((n) => n.dataset.verdict).join() === "early"`)
	p.js(`document.querySelector('[data-number="9998"] .row-open').scrollIntoView({ block: "center" });
		window.lower = document.querySelector('[data-number="9998"] .row-open');
		window.at = lower.getBoundingClientRect().top;
		lower.click()`)
	assert.Equal(t, 1, eval[int](p, `document.querySelectorAll(".past-detail").length`), "one is open at a time")
	assert.InDelta(t, 0, eval[float64](p, `lower.getBoundingClientRect().top - at`), 1, "the one that was pressed stays")
	p.js(`lower.click()`)

	const parts = `[...document.querySelectorAll(".part")]`
	assert.Equal(t, 200, eval[int](p, parts+".length"))
	height := eval[float64](p, `document.querySelector("#lookback").scrollHeight`)
	long.mu.Lock()
	before := long.asked
	long.mu.Unlock()
	p.js(`document.querySelector("#lookback").scrollTop = 0.5 * document.querySelector("#lookback").scrollHeight;
		window.middle = ` + parts + `.find((n) => n.getBoundingClientRect().bottom > 300);
		window.spot = middle.getBoundingClientRect().top`)
	p.until("the middle is read", `middle.querySelector(".past-shot")`)
	assert.InDelta(t, 0, eval[float64](p, `middle.getBoundingClientRect().top - spot`), 0.5, "nothing moved when it came")
	row := `(n => n.getBoundingClientRect().top - middle.getBoundingClientRect().top)(middle.children[30]) / 30`
	assert.InDelta(t, eval[float64](p, row), eval[float64](p, `middle.getBoundingClientRect().height / 50`), 0.1)
	p.js(`document.querySelector("#lookback").scrollTop = document.querySelector("#lookback").scrollHeight`)
	p.until("the oldest is read", `document.querySelector('[data-number="1"]')`)
	p.until("what is far away is given up", parts+`.filter((n) => n.querySelector(".past-shot")).length < 6`)
	assert.InDelta(t, height, eval[float64](p, `document.querySelector("#lookback").scrollHeight`), 0.5)
	nodes := eval[int](p, `document.querySelectorAll("#lookback *").length`)
	t.Logf("%d elements", nodes)
	assert.Less(t, nodes, 6000)
	long.mu.Lock()
	assert.Less(t, long.asked-before, 20, "parts that flew past are not read")
	long.mu.Unlock()

	p.js(`document.querySelector('[data-number="40"] .row-open').focus()`)
	p.do(chromedp.KeyEvent(kb.ArrowDown))
	p.until("an arrow leads to the next",
		`document.activeElement.closest("[data-number]")?.dataset.number === "39"`)
	p.do(chromedp.KeyEvent(kb.Enter))
	p.until("and the keyboard opens it", `document.querySelector('[data-number="39"] .past-detail')`)

	m.be(func(s *control.Snapshot) { s.Holder = "phone 2" })
	p.until("who looks on is told",
		`document.querySelector(".place-notice").textContent.includes("it can look but change nothing")`)
	const changers = `[...document.querySelectorAll("#lookback .past-detail :is(button, input), #lookback .star")]`
	assert.Zero(t, eval[int](p, changers+`.filter((b) => !b.disabled && b.checkVisibility()).length`))
	p.roomy("looking on")

	p.do(chromedp.NavigateBack())
	p.until("back leads to the same place", `document.activeElement.textContent.startsWith("evening 31") &&
		Math.abs(document.activeElement.getBoundingClientRect().top - 400) < 300`)
	p.clean()
}

// TestLookBackManyEvenings: whoever scrolls on comes to the oldest.
func TestLookBackManyEvenings(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	_, p := b.stage(t, func(m *fakeControl) { m.record = &madeUpRecord{sessions: 500, shots: 1, set: "{}"} })
	p.place("lookback")
	p.until("evenings are counted", `document.querySelector(".found")?.textContent.trim() === "500 evenings."`)
	assert.Less(t, eval[int](p, `document.querySelectorAll(".evening-open").length`), 100, "not all at once")
	p.until("the oldest is there", `(document.querySelector("#lookback").scrollTop = 1e9,
		document.querySelectorAll(".evening-open").length === 500)`)
	assert.Equal(t, "evening 1 (open now)",
		eval[string](p, `[...document.querySelectorAll(".evening-title")].at(-1).textContent`))
	assert.False(t, eval[bool](p, `document.querySelector(".more").checkVisibility()`))
	p.clean()
}

// TestLookBackAccessibility: axe-core finds nothing wrong wherever one looks back, whoever holds the controls.
func TestLookBackAccessibility(t *testing.T) {
	t.Parallel()
	check := axe(t)
	b := startBrowser(t)
	throw := shot.DefaultSet()
	throw.Kind = shot.Throw
	m, p := b.stage(t, func(m *fakeControl) {
		m.record = &madeUpRecord{sessions: 3, shots: 40, set: setText(t, throw)}
	})
	p.place("lookback")
	p.until("evenings are listed", `document.querySelector(".evening-open")`)
	for _, holder := range []string{"phone 1", "phone 2"} {
		m.be(func(s *control.Snapshot) { s.Holder = holder })
		assert.Empty(t, check(p, "evenings"))
		p.tap(".evening-open")
		p.until("it is open", `document.querySelector(".counts li")`)
		p.js(`for (const d of document.querySelectorAll("#lookback details")) d.open = true`)
		assert.Empty(t, check(p, "evening of "+holder))
		if holder == "phone 1" {
			p.tap(".again-begin")
			p.until("what differs is said", `document.querySelector(".changes")`)
			assert.Empty(t, check(p, "again"))
		}
		p.tap(".to-shots")
		p.until("its shots are there", `document.querySelector('[data-number="38"]')`)
		p.tap(`[data-number="38"] .row-open`)
		assert.Empty(t, check(p, "an opened shot of "+holder))
		p.tap(".filters button:last-child")
		p.until("there is no keeper",
			`document.querySelector(".evening .hint[role=status]").textContent.includes("No shot is kept")`)
		assert.Empty(t, check(p, "no keepers"))
		p.tap(".evening .acts > button")
		p.until("another is chosen", `document.querySelector(".choosing").checkVisibility()`)
		assert.Empty(t, check(p, "choosing"))
		p.tap(".evenings li:last-child .evening-open")
		p.until("both are there", `document.querySelector(".side-by-side")`)
		assert.Empty(t, check(p, "compare"))
		p.do(chromedp.NavigateBack())
		p.do(chromedp.NavigateBack())
		p.until("the list", `document.querySelector("#find").checkVisibility()`)
	}
	p.clean()
}

// TestSearchEndsTheOneBefore: who types on ends the search that was under way.
func TestSearchEndsTheOneBefore(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	long := &madeUpRecord{sessions: 60, shots: 1, set: "{}"}
	_, p := b.stage(t, func(m *fakeControl) { m.record = long })
	p.place("lookback")
	p.until("evenings are listed", `document.querySelector(".evening-open")`)
	begun, ended := make(chan struct{}), make(chan error, 1)
	long.mu.Lock()
	long.slow = func(ctx context.Context) error {
		long.mu.Lock()
		long.slow = nil
		long.mu.Unlock()
		close(begun)
		<-ctx.Done()
		ended <- context.Cause(ctx)
		return ctx.Err()
	}
	long.mu.Unlock()
	p.enter("#find", "evening")
	<-begun
	p.enter("#find", "evening 7")
	select {
	case err := <-ended:
		assert.ErrorIs(t, err, context.Canceled)
	case <-time.After(patience):
		t.Fatal("the first search was not ended")
	}
	p.until("the second is answered", `document.querySelector(".found").textContent.includes("“evening 7”")`)
	p.clean()
}
