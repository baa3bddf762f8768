package main

import (
	"fmt"
	"net"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/proctest"
)

// machine is a daemon that can be stopped and started again at the same place with the same record.
type machine struct {
	*daemonRun
	journal string
}

// startMachine starts the daemon as a newcomer does, with a record of its own and chances that repeat.
func startMachine(t *testing.T) *machine {
	m := &machine{journal: filepath.Join(t.TempDir(), "journal.db")}
	m.daemonRun = startDaemon(t, "--listen", "127.0.0.1:0", "--seed", "7", "--journal", m.journal)
	return m
}

func (m *machine) start(more ...string) {
	host := strings.TrimPrefix(m.url, "http://")
	args := append([]string{"--listen", host, "--seed", "8", "--journal", m.journal}, more...)
	m.daemonRun = startDaemon(m.t, args...)
}

// holding is true in a page that has the controls.
const holding = `document.querySelector("#controls-words").textContent.startsWith("This phone")`

// TestPage drives the page in a real browser on the real daemon.
func TestPage(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	for name, does := range map[string]func(*testing.T){
		"newcomer's minute":        b.newcomersMinute,
		"silence is noticed":       b.silence,
		"desk":                     b.desk,
		"an onlooker can disarm":   b.onlooker,
		"a long code is asked for": b.longCode,
		"a service's code":         b.serviceCode,
	} {
		t.Run(name, func(t *testing.T) { t.Parallel(); does(t) })
	}
}

// newcomersMinute does what somebody does who has just started Stillwater and holds a phone.
func (b *browser) newcomersMinute(t *testing.T) {
	d := startMachine(t)
	p := b.phone(t, d.url+"/", 390, 844, true)

	pairWithCode(p, d.code)
	tickCare(p)
	dropOnce(p)
	trimAndAgain(p)
	throwOnce(p)
	soundOnce(p)
	require.Positive(t, p.fired, "the board gave up every shot as late")
	reloadKeeps(p)
	refuseNonsense(p)
	p.clean()
	loseAndFind(p, d)
	p.clean()
}

func pairWithCode(p *phone, code string) {
	p.until("the code is asked for", `document.querySelector("#pair-code")?.checkVisibility()`)
	p.fit("pairing")
	p.picture("phone-01-pairing")
	p.light("pairing", 1.2)
	p.enter("#pair-code", wrongCode(code))
	p.until("the wrong code is refused", `document.querySelector("#pair-refusal").checkVisibility()`)
	p.picture("phone-02-wrong-code")
	p.fit("wrong code")
	p.enter("#pair-code", code)
	p.state("safe", "Safe")
	p.until("this phone holds the controls", holding)
	p.picture("phone-03-first-sight")
	p.fit("first sight")
}

func wrongCode(code string) string {
	if code[0] == '0' {
		return "1" + code[1:]
	}
	return "0" + code[1:]
}

func tickCare(p *phone) {
	t := p.t
	p.briefly(func() { p.tap("#arm") })
	p.hint("the care list is asked for", "checklist")
	p.state("safe", "Safe")
	ids := eval[[]string](p, `[...document.querySelectorAll("#care-list label")].map((l) => l.dataset.care)`)
	require.NotEmpty(t, ids)
	for _, id := range ids {
		box := fmt.Sprintf("#care-list label[data-care=%q]", id)
		p.tap(box)
		p.until("the machine has the tick of "+id, fmt.Sprintf(`document.querySelector('%s input').checked`, box))
	}
	p.until("care is done", `document.querySelector("#care").classList.contains("done")`)
	p.until("the way leads to the shot", `document.querySelector("#shoot").checkVisibility()`)
	p.until("arming is possible", `!document.querySelector("#arm").hasAttribute("aria-disabled")`)
}

func dropOnce(p *phone) {
	t := p.t
	p.tap(`[data-kind="drop"]`)
	p.until("the drop is chosen", `document.querySelector('[data-kind="drop"]').getAttribute("aria-pressed") === "true"`)
	before := p.text("#coming-list")
	p.enter("#f-drop-height", "45")
	p.until("the machine has the height", `document.querySelector("#f-drop-height").value === "45"`)
	p.until("the timeline changed", fmt.Sprintf(`document.querySelector("#coming-list").textContent !== %q`, before))
	p.reach("#coming-drawing")
	p.until("the timeline is drawn", `document.querySelectorAll("#coming-drawing .mark").length >= 3`)
	drawnToScale(p)
	setFolds(p, false)
	p.picture("phone-04-drop-ready")
	p.light("safe", 2.8)
	p.everyPlace(func(place string) { p.fit(place); p.light(place, 2.8) })
	setFolds(p, true)
	p.everyPlace(func(place string) {
		p.fit(place + ", all open")
		p.narrow(place + ", all open")
	})
	setFolds(p, false)

	p.briefly(func() { p.tap("#arm") })
	p.hint("a tap is explained", "tap does not arm")
	assert.Equal(t, "Safe", p.text("#state-word"))
	brush(p)
	p.until("a click is no longer taken for a press's end", `performance.now() > brushed + 400`)
	p.js(`document.querySelector("#arm").click()`)
	p.hint("a lone activation is explained", "once more")
	p.tap(`[data-nudge="1"]`) // carried out after whatever was asked before
	p.until("the trim is later", `document.querySelector("#trim input").value === "1"`)
	p.tap(`[data-nudge="-1"]`)
	p.until("the trim is as it was", `document.querySelector("#trim input").value === "0"`)
	assert.Equal(t, "Safe", p.text("#state-word"), "a tap, a brush and a lone activation do not arm")

	p.listen()
	p.arm()
	p.fit("armed")
	p.narrow("armed")
	assert.Contains(t, p.text("#state-next"), "elay ", "what is in force")
	p.picture("phone-05-armed")
	p.light("armed", 1.4)
	p.tap("#room")
	p.until("the shot appears", shotCame(1))
	p.state("safe", "Safe")
	newestShot(p)
	announcedOnce(t, p.heard())
	if giveVerdict(p, "early") {
		p.until("the trim is in sight", `(() => {
			const r = document.querySelector("#trim").getBoundingClientRect();
			return r.height > 0 && r.top > 0 && r.bottom < document.querySelector("#bar").getBoundingClientRect().top;
		})()`)
	}
	p.enter("#note", "the column is still short")
	p.picture("phone-06-shot-judged")
	p.fit("shot judged")
	p.narrow("shot judged")
}

// shotCame is true in a page that shows the shot of that number as its last.
func shotCame(number int) string {
	return fmt.Sprintf(`document.querySelector("#shot").dataset.number === "%d"`, number)
}

// giveVerdict gives the newest shot a verdict, unless the machine was late: then it says so and asks for none.
func giveVerdict(p *phone, verdict string) bool {
	p.t.Helper()
	if eval[bool](p, `document.querySelector("#verdicts").matches("[data-spoiled]")`) {
		p.t.Log("not judged: ", p.text("#shot .problem"))
		assert.NotEmpty(p.t, p.text("#shot .problem"))
		return false
	}
	button := fmt.Sprintf(`#verdicts [data-verdict=%q]`, verdict)
	p.tap(button)
	p.until("the verdict is kept",
		fmt.Sprintf(`document.querySelector('%s').getAttribute("aria-pressed") === "true"`, button))
	return true
}

// announcedOnce asserts that arming, the shot and its end are announced to a screen reader, each once.
func announcedOnce(t *testing.T, heard []string) {
	for _, begin := range []string{"Armed. ", "Shot 1: ", "Safe. "} {
		times := 0
		for _, words := range heard {
			if strings.HasPrefix(words, begin) {
				times++
			}
		}
		assert.Equal(t, 1, times, "%q in %q", begin, heard)
	}
}

// newestShot asserts that the newest shot's planned and actual times are shown and that its lateness is their
// difference. How late a busy machine is, is no matter of this test; a shot that the board gave up has no figures, but
// not every shot may be one of those.
func newestShot(p *phone) {
	t := p.t
	t.Helper()
	if eval[bool](p, `document.querySelector("#shot").dataset.ok === "no"`) {
		t.Log("not fired: ", p.text("#shot .chip"))
		return
	}
	cells := p.figures("flash")
	figure := func(name string) float64 {
		number, unit, _ := strings.Cut(strings.NewReplacer("−", "-", "+", "").Replace(cells[name]), "\u00a0")
		v, err := strconv.ParseFloat(number, 64)
		if unit == "µs" {
			v /= 1000
		}
		require.NoError(t, err, "%s in %v", name, cells)
		return v
	}
	assert.Greater(t, figure("planned"), 0.0)
	rounded := 0.0011 // times are shown to a microsecond, a lateness of a millisecond or more to a tenth of one
	if strings.HasSuffix(cells["late"], "ms") {
		rounded += 0.05
	}
	assert.InDelta(t, figure("late"), figure("actual")-figure("planned"), rounded)
	t.Logf("flash planned %s ms, actual %s ms after the edge", cells["planned"], cells["actual"])
	assert.NotEmpty(t, p.text("#shot .seen"), "what the simulated camera saw")
	p.fired++
}

// drawnToScale asserts that the marks stand where their times say.
func drawnToScale(p *phone) {
	at := eval[map[string]float64](p, `Object.fromEntries(
		[...document.querySelectorAll("#coming-drawing .mark")].map((m) =>
		[m.getAttribute("class").replace("mark mark-", ""), Number(m.getAttribute("x1"))]))`)
	list := p.plain("#coming-list")
	ms := func(mark string) float64 {
		_, rest, ok := strings.Cut(list, mark+" at ")
		require.True(p.t, ok, "%s in %s", mark, list)
		number, _, _ := strings.Cut(rest, " ms")
		v, err := strconv.ParseFloat(strings.ReplaceAll(number, "−", "-"), 64)
		require.NoError(p.t, err)
		return v
	}
	perMs := (at["moment"] - at["edge"]) / (ms("moment") - ms("edge"))
	assert.Greater(p.t, perMs, 0.0)
	assert.InDelta(p.t, at["edge"]+perMs*(ms("surface")-ms("edge")), at["surface"], 0.5)
}

// setFolds opens or folds what can be folded.
func setFolds(p *phone, open bool) {
	p.js(fmt.Sprintf(`document.querySelectorAll("#page details").forEach((d) => { d.open = %t; })`, open))
}

// brush drags a finger over the arm button and off it, and holds it there for as long as a press that arms.
func brush(p *phone) {
	x, y := p.at("#arm")
	p.briefly(func() {
		p.down(x, y)
		p.until("it is pressed", `document.querySelector("#arm").matches(".pressed")`)
		for i := range 8 {
			p.move(x-float64(i*30), y)
		}
		p.hint("it says why it did not arm", "left the button")
	})
	p.js(`window.brushed = performance.now()`)
	p.until("a press would arm", `performance.now() > brushed + 800`)
	p.up(x, y)
}

func trimAndAgain(p *phone) {
	t := p.t
	before := p.text("#trim .total")
	p.tap(`[data-nudge="10"]`)
	p.until("the delay is later", `document.querySelector("#trim input").value === "10"`)
	p.tap(`[data-nudge="-1"]`)
	p.until("the delay is a little earlier", `document.querySelector("#trim input").value === "9"`)
	p.js(`for (let i = 0; i < 5; i++) document.querySelector('[data-nudge="1"]').click()`)
	p.until("each of some quick taps counts", `document.querySelector("#trim input").value === "14"`)
	for range 5 {
		p.tap(`[data-nudge="-1"]`)
	}
	p.until("the trim is as it was", `document.querySelector("#trim input").value === "9"`)
	p.until("the delay shown changed", fmt.Sprintf(`document.querySelector("#trim .total").textContent !== %q`, before))
	p.tap("#count-more")
	p.arm()
	p.until("two shots are left", `document.querySelector("#state-next").textContent.includes("2 shots left")`)
	p.tap("#room")
	p.until("the second shot appears", shotCame(2))
	p.until("it is armed for the last", `document.querySelector("#state-next").textContent.includes("one shot left")`)
	newestShot(p)
	p.tap(`[data-nudge="1"]`)
	p.until("the next shot gets another trim", `document.querySelector("#trim input").value === "10"`)
	p.state("armed", "Armed")
	assert.Contains(t, p.text("#state-next"), "one shot left")
	p.tap("#disarm")
	p.state("safe", "Safe")
	assert.True(t, strings.Contains(strings.ToLower(p.text("#state-reason")), "disarmed by"), p.text("#state-reason"))
	p.tap("#count-less")
}

func throwOnce(p *phone) {
	p.tap(`[data-kind="throw"]`)
	p.until("the throw's fields are shown", `document.querySelector("#setup #f-throw-gate")`)
	p.enter("#f-throw-to_focus", "85")
	p.until("the machine has the distance", `document.querySelector("#f-throw-to_focus").value === "85"`)
	p.reach("#coming-drawing")
	p.until("the gate is on the timeline", `document.querySelector("#coming-drawing .mark-gate")`)
	p.fit("throw")
	p.picture("phone-07-throw")
	p.arm()
	throwUntil(p, shotCame(3))
	p.until("with its gate interval", `document.querySelector("#shot .facts").textContent.includes("gate interval")`)
	newestShot(p)
	giveVerdict(p, "good")
	p.state("safe", "Safe")
}

// throwUntil throws until there is a shot: the simulated hand throws one in ten too slowly or too fast, which the board
// must not act on, and the page must say so.
func throwUntil(p *phone, done string) {
	const room = `document.querySelector("#room")`
	for range 20 {
		p.tap("#room")
		p.until("it flies", room+".disabled || "+done)
		p.until("it landed", "!"+room+".disabled || "+done)
		if eval[bool](p, done) {
			return
		}
		p.until("a shot, or why not", done+` || document.querySelector("#armed-notice").textContent`)
	}
	p.fail("twenty throws and no shot")
}

// clap opens the shutter and claps until there is a shot. On a busy machine the shutter may have closed by then, and
// the page asks for Go again.
func (p *phone) clap(done string) {
	p.t.Helper()
	const again = `(g => g.textContent === "Open the shutter" && g.checkVisibility())(document.querySelector("#go"))`
	for range 20 {
		p.tap("#go")
		p.until("go was done, and its button keeps its place", `(g => g.textContent === "Shutter opened" && g.disabled &&
			g.checkVisibility())(document.querySelector("#go"))`)
		p.tap("#room")
		p.until("a shot, or a shutter that closed too early", done+"||"+again)
		if eval[bool](p, done) {
			return
		}
	}
	p.fail("twenty claps and no shot")
}

func soundOnce(p *phone) {
	p.tap(`[data-kind="sound"]`)
	p.until("the sound's fields are shown", `document.querySelector("#setup #f-sound-distance")`)
	p.until("the button says what it does", `document.querySelector("#room").textContent === "Clap"`)
	p.enter("#f-sound-after", "2")
	fix := `#coming-refusal .fix[data-field="sound.after"]`
	p.place("shoot")
	p.until("a way out is offered", fmt.Sprintf("document.querySelector('%s')?.checkVisibility()", fix))
	assert.Contains(p.t, p.text("#coming-refusal"), "sound reaches the microphone")
	p.until("arming is not offered", `document.querySelector("#arm").hasAttribute("aria-disabled")`)
	p.picture("phone-08-cannot-work")
	p.fit("cannot work")
	p.tap(fix)
	p.reach("#coming-drawing")
	p.until("the camera is slower: the shutter opens at Go, which is drawn on its own clock",
		`document.querySelector("#coming-drawing .bar.opening")`)
	p.picture("phone-09-from-go")
	p.fit("from go")
	p.arm()
	p.until("it waits for go", `document.querySelector("#state-reason").textContent.includes("pen the shutter first")`)
	p.picture("phone-10-armed-needs-go")
	p.fit("needs go")
	p.clap(shotCame(4))
	p.state("safe", "Safe")
	p.enter("#note", "burst in time")
	p.picture("phone-11-sound")
	p.place("lookback")
	p.until("evenings are listed", `document.querySelector(".evening-open")`)
	proctest.Eventually(p.t, "the machine has the note", func() bool {
		p.enter("#find", "burst in time")
		p.until("it was looked for", `document.querySelector(".found").textContent.includes("burst in time")`)
		found := eval[bool](p, `document.querySelector(".evening-where")?.textContent === "Found: No. 4"`)
		p.enter("#find", "")
		p.until("all are listed", `document.querySelector(".found").textContent.trim() === "One evening."`)
		return found
	})
	p.place("shoot")
}

// shown is what must be the same after a reload, a lost connection and a restart.
const shown = `JSON.stringify({
	shot: ["number", "figures", "chip"].map((part) => document.querySelector("#shot ." + part).textContent),
	note: document.querySelector("#note").value,
	trim: document.querySelector("#trim input").value,
	kind: document.querySelector('#kinds [aria-pressed="true"]').dataset.kind,
	told: document.querySelector("#coming-list").textContent,
	session: document.querySelector("#session-words").textContent,
})`

// cared is true in a page on which every caution is ticked.
const cared = `[...document.querySelectorAll("#care-list input")].every((b) => b.checked)`

func reloadKeeps(p *phone) {
	p.reach("#note")
	const open = `document.documentElement.dataset.place +
		[...document.querySelectorAll("#page details[open]")].map((d) => " " + d.id)`
	before, view := eval[string](p, shown), eval[string](p, open)
	require.Contains(p.t, view, " shot-fold")
	require.Contains(p.t, before, "burst in time")
	p.do(chromedp.Reload())
	p.state("safe", "Safe")
	after := eval[string](p, shown)
	assert.Equal(p.t, before, after)
	assert.Equal(p.t, view, eval[string](p, open), "place and folds")
	assert.True(p.t, eval[bool](p, cared), "ticked")
	p.until("this phone holds the controls", holding)
}

// refuseNonsense types what is no quantity into every field: each says so beside the field and nothing changes.
func refuseNonsense(p *phone) {
	setFolds(p, true)
	where := "#trim input, #light-fields input, #set-list input, #set-fields input"
	for _, kind := range []string{"drop", "throw", "sound"} {
		p.tap(fmt.Sprintf(`[data-kind=%q]`, kind))
		p.until("the kind is "+kind, fmt.Sprintf(`document.querySelector("#set-fields").dataset.kind === %q`, kind))
		ids := eval[[]string](p, fmt.Sprintf(`[...document.querySelectorAll(%q)].map((i) => i.id)`, where))
		require.GreaterOrEqual(p.t, len(ids), 3)
		where = "#set-list input, #set-fields input"
		for _, id := range ids {
			refuseOne(p, "#"+id)
		}
	}
	p.js(`document.querySelector("#f-sound-distance").scrollIntoView({ block: "center", behavior: "instant" })`)
	p.picture("phone-12-refused")
	p.fit("refused")
	setFolds(p, false)
	p.enter("#count-input", "plenty")
	p.hold("#arm", "the number of shots is refused",
		`hints.some((h) => h.includes("whole number"))`)
	p.state("safe", "Safe")
	p.enter("#count-input", "1")
}

func refuseOne(p *phone, input string) {
	p.t.Helper()
	value, listed := p.value(input), p.text("#coming-list")
	refused := fmt.Sprintf(`document.querySelector("%s-refusal").checkVisibility()`, input)
	// On a busy machine the line may fall silent meanwhile.
	const lost = `document.documentElement.dataset.state === "lost"`
	for try := 0; try < shotTries; try++ {
		p.enter(input, "wet & <b>cold</b>")
		p.until(input+" is refused, or the line is lost", refused+" || "+lost)
		if eval[bool](p, refused) {
			break
		}
	}
	p.until("it shows the machine's value again", fmt.Sprintf(`document.querySelector(%q).value === %q`, input, value))
	said := p.text(input + "-refusal")
	assert.Contains(p.t, said, "<b>cold</b>", "what was typed is shown as text")
	assert.Equal(p.t, listed, p.text("#coming-list"), "nothing changed")
}

// loseAndFind stops the machine and starts it again: the page says so, comes back by itself, disarmed, with the shots
// there. Started again with its phones forgotten, it asks for its new code.
func loseAndFind(p *phone, d *machine) {
	before := eval[string](p, shown)
	p.arm()
	p.away.Store(true)
	assert.Zero(p.t, d.stop())
	p.state("lost", "Not connected")
	p.picture("phone-13-not-connected")
	p.fit("not connected")
	const able = `[...document.querySelectorAll(":is(#setup, #shoot, #bar) :is(button, input, select)")].filter(
		(b) => !b.disabled && !b.closest("[data-free]"))`
	assert.Zero(p.t, eval[int](p, able+".length"), "controls that pretend to work")
	d.start()
	p.state("safe", "Safe")
	assert.Equal(p.t, before, eval[string](p, shown), "the record over a restart")
	assert.False(p.t, eval[bool](p, cared), "asked at each start")
	assert.Contains(p.t, p.text("#care-lead"), "ticked again, because Stillwater was restarted.")
	p.fit("care asked again")
	p.picture("phone-15-care-again")
	p.until("this phone holds the controls", holding)

	assert.Zero(p.t, d.stop())
	p.state("lost", "Not connected")
	d.start("--forget-phones")
	p.until("the new code is asked for", `document.querySelector("#pair-code").checkVisibility()`)
	p.away.Store(false)
	p.picture("phone-14-pair-again")
	p.fit("pair again")
	p.enter("#pair-code", d.code)
	p.state("safe", "Safe")
	assert.Equal(p.t, before, eval[string](p, shown), "the record over a second restart")
}

// silence: a line that stays open and says nothing is a lost line. The page says so by itself, also of what was asked
// for last, and when the line is back it goes on where it was, still armed, without pairing again. A page that did not
// run for a while has heard nothing either, and keeps its line.
func (b *browser) silence(t *testing.T) {
	d := startMachine(t)
	address, hush := startQuietable(t, strings.TrimPrefix(d.url, "http://"))
	p := b.phone(t, address+"/#code="+d.code, 390, 844, true)
	p.state("safe", "Safe")
	tickCare(p)
	p.js(`window.states = []; window.looks = 0; setInterval(() => looks++, 250);
		new MutationObserver(() => states.push(document.documentElement.dataset.state))
			.observe(document.documentElement, { attributeFilter: ["data-state"] });
		const now = performance.now.bind(performance);
		performance.now = () => now() + 10_000`)
	p.until("it has looked", `looks >= 3`)
	assert.NotContains(t, eval[[]string](p, `states`), "lost")

	p.away.Store(true)
	hush(true)
	p.tap(`[data-nudge="1"]`)
	p.state("lost", "Not connected")
	assert.Contains(t, p.plain("body"), "The connection dropped before the answer. If it was not done, do it again.")
	p.fit("no answer")
	p.picture("phone-16-no-answer")
	hush(false)
	p.state("safe", "Safe")

	p.arm()
	hush(true)
	p.state("lost", "Not connected")
	assert.Contains(t, p.plain("#state-reason"), "may still fire. It disarms 10 s after the line dropped.")
	assert.Equal(t, "Not connected · Stillwater", eval[string](p, `document.title`))
	p.fit("lost while armed")
	p.picture("phone-17-lost-while-armed")
	p.light("lost while armed", 1.4)
	hush(false)
	p.state("armed", "Armed")
	p.away.Store(false)
	p.tap("#room")
	p.until("the shot appears", shotCame(1))
	p.clean()
}

// startQuietable passes connections on to a machine, and can hold back everything in both directions without closing.
func startQuietable(t *testing.T, host string) (address string, hush func(bool)) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { listener.Close() })
	var gate sync.RWMutex
	pass := func(to, from net.Conn) {
		defer to.Close()
		buf := make([]byte, 32<<10)
		for {
			n, err := from.Read(buf)
			gate.RLock()
			_, wrong := to.Write(buf[:n])
			gate.RUnlock()
			if err != nil || wrong != nil {
				return
			}
		}
	}
	go func() {
		for {
			near, err := listener.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", host)
			if err != nil {
				near.Close()
				continue
			}
			go pass(far, near)
			go pass(near, far)
		}
	}()
	return "http://" + listener.Addr().String(), func(silent bool) {
		if silent {
			gate.Lock()
		} else {
			gate.Unlock()
		}
	}
}

// desk: the same page on a wide screen, with mouse and keyboard, paired by the address of the QR code.
func (b *browser) desk(t *testing.T) {
	d := startMachine(t)
	p := b.phone(t, d.url+"/#code="+d.code, 1440, 900, false)
	p.state("safe", "Safe")
	address := eval[string](p, `location.href`)
	assert.NotContains(t, address, d.code, "the code is taken out of the address bar")
	tickCare(p)
	p.fit("desk")
	p.picture("desk-01-ready")
	fitCanFail(p)

	p.js(`document.querySelector("#arm").focus()`)
	p.briefly(func() { p.do(chromedp.KeyEvent(" ")) })
	p.hint("a short press is explained", "tap does not arm")
	assert.Equal(t, "Safe", p.text("#state-word"))
	p.holdSpace()
	p.state("armed", "Armed")
	p.tap("#room")
	p.until("the shot appears", shotCame(1))
	p.state("safe", "Safe")
	p.picture("desk-02-shot")
	p.arm()
	p.fit("desk armed")
	p.picture("desk-03-armed")
	p.do(chromedp.KeyEvent(kb.Escape))
	p.state("safe", "Safe")
	setFolds(p, true)
	p.hold(`#outputs [data-key="flash"] button`, "the rig was tested", `document.querySelector(
		'#outputs [data-key="flash"] p').textContent.startsWith("Planned at once for 5.0\u00a0ms; on after")`)
	p.fit("desk, all open")
	p.picture("desk-04-open")
	p.clean()
}

// fitCanFail spoils the page in each way that fit looks for, and undoes it.
func fitCanFail(p *phone) {
	p.js(`Object.assign(document.querySelector("#controls-words").style, { color: "#5a5045", minWidth: "1600px" });
		Object.assign(document.querySelector("#room").style, { height: "30px", minHeight: "30px" });
		document.querySelector("#room").ariaLabel = ""; document.querySelector("#room").textContent = "";`)
	found := eval[faults](p, fitScript)
	assert.Len(p.t, found.Faint, 1)
	assert.NotEmpty(p.t, found.Wide)
	assert.Len(p.t, found.Small, 1)
	assert.Len(p.t, found.Nameless, 1)
	p.do(chromedp.Reload())
	p.state("safe", "Safe")
	p.until("this phone holds the controls", `!document.querySelector("#arm").disabled`)
	p.fit("desk after a reload")
}

// onlooker: a second phone watches, asks for the controls, disarms and is handed them.
func (b *browser) onlooker(t *testing.T) {
	d := startMachine(t)
	holder := b.phone(t, d.url+"/#code="+d.code, 390, 844, true)
	holder.state("safe", "Safe")
	tickCare(holder)
	other := b.phone(t, d.url+"/#code="+d.code, 390, 844, true)
	other.state("safe", "Safe")
	other.until("it is watching", `document.querySelector("#controls-words").textContent.includes("is watching")`)
	other.picture("phone-15-onlooker")
	other.fit("onlooker")
	other.tap("#arm")
	holder.arm()
	other.state("armed", "Armed")
	other.tap("#disarm")
	holder.state("safe", "Safe")
	other.state("safe", "Safe")
	other.tap(`[data-act="take"]`)
	holder.place("setup")
	holder.until("the other asks", `document.querySelector('[data-act="give"]')?.checkVisibility()`)
	holder.until("it says so at the top", `document.querySelector("#state-notice").textContent.includes("asks for")`)
	holder.picture("phone-16-asked")
	holder.fit("asked")
	holder.tap(`[data-act="give"]`)
	other.until("it holds the controls", holding)
	other.arm()
	holder.state("armed", "Armed")
	other.tap("#disarm")
	holder.state("safe", "Safe")
	holder.clean()
	other.clean()
}
