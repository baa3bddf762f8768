package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/png"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// patience is how long a test waits for something that must come; a pass does not depend on how fast it comes.
const patience = 4 * time.Minute

// phone is a real browser with the page, driven by touch or mouse. It notes every request and every complaint.
type phone struct {
	t      *testing.T
	ctx    context.Context // the tab: chromedp has browsers and tabs in contexts
	host   string
	touch  bool
	away   atomic.Bool // the machine is stopped on purpose: failed requests are no complaint
	mu     sync.Mutex
	others []string // requests to another host
	wrong  []string // errors and warnings on the console
	asked  int
	fired  int // shots seen that were not given up
	taps   int // presses made
}

// browser is the one Chromium of all phones and tests: to start one takes as long as most tests do. What a phone keeps
// is its own.
type browser struct {
	once sync.Once
	ctx  context.Context // as chromedp has browsers
	err  error
	stop func() error
}

var chromium browser

// startBrowser starts Chromium if no test before has. TestMain closes it.
func startBrowser(t *testing.T) *browser {
	t.Helper()
	path := need.Tool(t, "chromium-headless-shell", "chromium", "chromium-browser")
	chromium.once.Do(func() { chromium.start(path) })
	require.NoError(t, chromium.err)
	return &chromium
}

func (b *browser) start(path string) {
	var dir string
	if dir, b.err = os.MkdirTemp("", "stillwater-browser"); b.err != nil {
		return
	}
	// What is called a few times is not worth compiling well.
	flags := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.DisableGPU, chromedp.UserDataDir(dir), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-domain-reliability", true), chromedp.Flag("js-flags", "--no-opt,--no-maglev,--no-sparkplug"))
	root, stop := chromedp.NewExecAllocator(context.Background(), flags...)
	ctx, closeAll := chromedp.NewContext(root)
	b.ctx = ctx
	b.stop = func() error {
		socket, _ := os.Readlink(filepath.Join(dir, "SingletonSocket")) // in a folder that a killed Chromium leaves
		closeAll()
		stop()
		if socket != "" {
			return errors.Join(os.RemoveAll(dir), os.RemoveAll(filepath.Dir(socket)))
		}
		return os.RemoveAll(dir)
	}
	b.err = chromedp.Do(ctx)
}

// close ends Chromium, if it was started.
func (b *browser) close() error {
	if b.stop == nil {
		return nil
	}
	return b.stop()
}

// phone opens the page at that size, with cookies and storage of its own.
func (b *browser) phone(t *testing.T, address string, width, height int64, touch bool) *phone {
	t.Helper()
	ctx, closeTab := chromedp.NewContext(b.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(closeTab)
	u, err := url.Parse(address)
	require.NoError(t, err)
	p := &phone{t: t, ctx: ctx, host: u.Host, touch: touch}
	require.NoError(t, chromedp.Listen(ctx, p.note))
	send(p, network.Enable, network.EnableParams{})
	send(p, cdplog.Enable, cdp.Empty{})
	send(p, runtime.Enable, cdp.Empty{})
	send(p, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
		Width: width, Height: height, DeviceScaleFactor: 1, Mobile: touch,
	})
	send(p, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: touch})
	send(p, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: recordHints})
	p.do(chromedp.Navigate(address))
	return p
}

// note keeps what the browser says about requests and errors.
func (p *phone) note(event any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch e := event.(type) {
	case *network.EventRequestWillBeSent:
		p.request(e.Request.URL)
	case *network.EventWebSocketCreated:
		p.request(e.URL)
	case *runtime.EventExceptionThrown:
		p.wrong = append(p.wrong, "exception: "+e.ExceptionDetails.Text+" "+e.ExceptionDetails.Exception.Description)
	case *runtime.EventConsoleAPICalled:
		if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeWarning {
			p.wrong = append(p.wrong, fmt.Sprintf("console: %s %s", e.Type, e.Args[0].Value))
		}
	case *cdplog.EventEntryAdded:
		if !p.expected(e.Entry) {
			p.wrong = append(p.wrong, fmt.Sprintf("log: %s %s %s", e.Entry.Level, e.Entry.Text, e.Entry.URL))
		}
	}
}

func (p *phone) request(address string) {
	p.asked++
	if u, err := url.Parse(address); err != nil || u.Host != p.host {
		p.others = append(p.others, address)
	}
}

// expected reports whether the browser's own remark is one that belongs here: Chromium logs each answer of 401 or 403,
// which is how the page learns that it is not paired, each failed request while the machine is stopped, and a
// connection that the page gave up before it was made, as it does when the machine is too busy to answer.
func (p *phone) expected(entry *cdplog.Entry) bool {
	unpaired := strings.HasSuffix(entry.URL, "/paired") && strings.Contains(entry.Text, "401")
	refused := strings.HasSuffix(entry.URL, "/pair") && strings.Contains(entry.Text, "403")
	stopped := p.away.Load() && (strings.Contains(entry.Text, "net::ERR_") || strings.Contains(entry.Text, "WebSocket"))
	givenUp := strings.Contains(entry.Text, "WebSocket is closed before the connection is established")
	return unpaired || refused || stopped || givenUp ||
		entry.Level == cdplog.EntryLevelVerbose || entry.Level == cdplog.EntryLevelInfo
}

// clean asserts that nothing went elsewhere and nothing was complained of.
func (p *phone) clean() {
	p.t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	assert.Greater(p.t, p.asked, 10, "the requests were not seen")
	assert.Empty(p.t, p.others, "requests to other machines")
	assert.Empty(p.t, p.wrong, "errors on the console")
}

// do runs an action of the browser.
func (p *phone) do(action chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	if _, err := chromedp.Run(ctx, action); err != nil {
		p.fail("browser: %v", err)
	}
}

// send runs a command of the browser's protocol.
func send[P, R any](p *phone, command cdp.Command[P, R], params P) R {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	result, err := chromedp.Call(ctx, command, params)
	if err != nil {
		p.fail("browser: %s: %v", command.Method, err)
	}
	return result
}

// eval runs an expression in the page and reads its value.
func eval[T any](p *phone, js string) T {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	value, err := chromedp.Run(ctx, chromedp.Evaluate[T](js))
	if err != nil {
		p.fail("browser: %v in %s", err, js)
	}
	return value
}

// js runs statements in the page.
func (p *phone) js(js string) { p.t.Helper(); eval[chromedp.Void](p, js) }

// until waits for an expression to become true. The page looks for itself, since each question from outside costs
// Chromium several times what the look does.
func (p *phone) until(what, js string) {
	p.t.Helper()
	look := chromedp.Evaluate[bool](fmt.Sprintf(`new Promise((done, failed) => {
		const look = (left) => {
			try {
				if (%s) done(true);
				else if (left > 0) setTimeout(look, 10, left - 1);
				else done(false);
			} catch (e) {
				failed(e);
			}
		};
		look(100);
	})`, js), chromedp.EvalAwaitPromise)
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	for ctx.Err() == nil {
		found, err := chromedp.Run(ctx, look)
		if found {
			return
		}
		var threw *chromedp.ExceptionError
		if errors.As(err, &threw) {
			p.fail("browser: %v in %s", err, js)
		}
		if err != nil { // the page was loaded anew meanwhile
			time.Sleep(10 * time.Millisecond)
		}
	}
	p.fail("waited in vain until %s: %s", what, js)
}

// briefly does f while the page's time passes 200 times as slowly: on a busy machine a press would last for longer than
// it is meant to.
func (p *phone) briefly(f func()) {
	p.t.Helper()
	p.js(`window.resumeClock = ((now, from) => {
		performance.now = () => from + (now() - from) / 200;
		return () => { performance.now = now; };
	})(performance.now.bind(performance), performance.now())`)
	f()
	p.js(`resumeClock()`)
}

// hint waits until the bar said so since the last hint waited for: it is shown for a few seconds only.
func (p *phone) hint(what, words string) {
	p.t.Helper()
	p.until(what, fmt.Sprintf(`hints.some((h) => h.includes(%q)) && (hints.length = 0, true)`, words))
}

// recordHints keeps what the bar's hint says.
const recordHints = `window.hints = [];
addEventListener("DOMContentLoaded", () => {
	const hint = document.getElementById("bar-hint");
	const keep = () => hints.push(hint.textContent);
	if (hint) new MutationObserver(keep).observe(hint, { childList: true, characterData: true, subtree: true });
});`

// fail ends the test with what the page shows.
func (p *phone) fail(format string, args ...any) {
	p.t.Helper()
	shown, _ := chromedp.Run(p.ctx, chromedp.Evaluate[string](`document.body.innerText`))
	p.mu.Lock()
	defer p.mu.Unlock()
	p.t.Fatalf(format+"\nconsole: %q\nThe page shows:\n%s", append(args, p.wrong, shown)...)
}

// state waits until the page shows the state, in the document's attribute and as its headline.
func (p *phone) state(name, word string) {
	p.t.Helper()
	p.until("the state is "+name, fmt.Sprintf(`document.documentElement?.dataset.state === %q &&
		document.querySelector("#state-word").textContent === %q`, name, word))
}

func (p *phone) text(selector string) string {
	p.t.Helper()
	return eval[string](p, fmt.Sprintf(`document.querySelector(%q).textContent`, selector))
}

// plain is so with plain spaces: those between a number and its unit do not break.
func (p *phone) plain(selector string) string {
	p.t.Helper()
	return strings.ReplaceAll(p.text(selector), "\u00a0", " ")
}

func (p *phone) value(selector string) string {
	p.t.Helper()
	return eval[string](p, fmt.Sprintf(`document.querySelector(%q).value`, selector))
}

// place opens one of the page's places by its tab.
func (p *phone) place(name string) {
	p.t.Helper()
	p.tap(fmt.Sprintf("#tabs [data-to=%q]", name))
	p.until("the place is open", fmt.Sprintf(`document.getElementById(%q).checkVisibility()`, name))
}

// everyPlace does something in each of the places and goes back.
func (p *phone) everyPlace(do func(place string)) {
	p.t.Helper()
	before := eval[string](p, `document.documentElement.dataset.place`)
	for _, place := range []string{"setup", "shoot", "lookback", before} {
		if eval[bool](p, `document.querySelector("#tabs").checkVisibility()`) {
			p.place(place)
		}
		do(place)
	}
}

// reach opens the place and the folds that an element is in, by tapping what opens them.
func (p *phone) reach(selector string) {
	p.t.Helper()
	p.until(selector+" is there", fmt.Sprintf(`document.querySelector(%q)`, selector))
	place := eval[string](p, fmt.Sprintf(`(at => at && !at.checkVisibility() ? at.id : "")(
		document.querySelector(%q).closest(".place"))`, selector))
	if place != "" {
		p.place(place)
	}
	fold := eval[string](p, fmt.Sprintf(`(n => {
		for (let at = n.parentElement, found = ""; ; at = at.parentElement) {
			if (!at) return found;
			if (at.matches("details:not([open])") && !n.closest("summary")) found = at.id;
		}
	})(document.querySelector(%q))`, selector))
	if fold != "" {
		p.tap("#" + fold + " > summary")
		p.until("it is unfolded", fmt.Sprintf(`document.getElementById(%q).open`, fold))
		p.reach(selector)
	}
}

// at brings an element to the middle of the screen and finds its centre, which nothing may cover.
func (p *phone) at(selector string) (x, y float64) {
	p.t.Helper()
	p.reach(selector)
	p.until(selector+" can be pressed", fmt.Sprintf(
		`(n => n?.checkVisibility() && !n.closest("[data-fresh]"))(document.querySelector(%q))`, selector))
	type place struct {
		X, Y  float64
		Cover string
	}
	p.settle(selector)
	spot := eval[place](p, fmt.Sprintf(`(() => {
		const node = document.querySelector(%q);
		const r = node.getBoundingClientRect();
		const x = r.x + r.width / 2, y = r.y + r.height / 2;
		const top = document.elementFromPoint(x, y);
		const free = top && (node.contains(top) || top.contains(node) && top.closest("label"));
		return { X: x, Y: y, Cover: free ? "" : (top ? top.outerHTML.slice(0, 200) : "nothing is there") };
	})()`, selector))
	if spot.Cover != "" {
		p.fail("%s is covered: %s", selector, spot.Cover)
	}
	return spot.X, spot.Y
}

// settle brings an element to the middle of the screen and waits until it stands still and the scroll event, which ends
// a press, has come.
func (p *phone) settle(selector string) {
	p.t.Helper()
	p.js(fmt.Sprintf(`(() => {
		const node = document.querySelector(%q);
		const top = () => node.getBoundingClientRect().top;
		const before = top();
		if (!node.closest("#bar, header, nav")) node.scrollIntoView({ block: "center", behavior: "instant" });
		let was = top();
		window.still = was === before ? 2 : 0;
		const frame = () => {
			still = top() === was ? still + 1 : 0;
			was = top();
			if (still < 2) requestAnimationFrame(frame);
		};
		if (still < 2) requestAnimationFrame(frame);
	})()`, selector))
	p.until(selector+" stands still", `still >= 2`)
}

// tap touches or clicks an element.
func (p *phone) tap(selector string) {
	p.t.Helper()
	x, y := p.at(selector)
	p.down(x, y)
	p.up(x, y)
}

// hold keeps a finger on an element until something is so.
func (p *phone) hold(selector, what, js string) {
	p.t.Helper()
	x, y := p.at(selector)
	p.down(x, y)
	p.until(what, js)
	p.up(x, y)
}

// arm presses and holds until it is armed. The finger then stands on the button that disarms, and lifting it does
// nothing.
func (p *phone) arm() {
	p.t.Helper()
	p.until("it can be armed", `document.querySelector("#arm").matches(":not([disabled], [aria-disabled])")`)
	p.hold("#arm", "it is armed", `document.documentElement.dataset.state === "armed"`)
	p.state("armed", "Armed")
}

func (p *phone) down(x, y float64) {
	p.t.Helper()
	p.taps++
	if p.touch {
		p.finger(input.DispatchTouchEventTypeTouchStart, &input.TouchPoint{X: x, Y: y})
		return
	}
	p.mouse(input.DispatchMouseEventTypeMouseMoved, x, y)
	p.mouse(input.DispatchMouseEventTypeMousePressed, x, y)
}

func (p *phone) move(x, y float64) {
	p.t.Helper()
	if p.touch {
		p.finger(input.DispatchTouchEventTypeTouchMove, &input.TouchPoint{X: x, Y: y})
		return
	}
	p.mouse(input.DispatchMouseEventTypeMouseMoved, x, y)
}

func (p *phone) up(x, y float64) {
	p.t.Helper()
	if p.touch {
		p.finger(input.DispatchTouchEventTypeTouchEnd)
		return
	}
	p.mouse(input.DispatchMouseEventTypeMouseReleased, x, y)
}

func (p *phone) finger(kind input.DispatchTouchEventType, points ...*input.TouchPoint) {
	p.t.Helper()
	touch := input.DispatchTouchEventParams{Type: kind, TouchPoints: append([]*input.TouchPoint{}, points...)}
	send(p, input.DispatchTouchEvent, touch)
}

func (p *phone) mouse(kind input.DispatchMouseEventType, x, y float64) {
	p.t.Helper()
	send(p, input.DispatchMouseEvent, input.DispatchMouseEventParams{
		Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, ClickCount: 1,
	})
}

// enter types into a field in place of what it holds, and confirms with Enter.
func (p *phone) enter(selector, typed string) {
	p.t.Helper()
	p.at(selector)
	p.until(selector+" can be typed in", fmt.Sprintf(`!document.querySelector(%q).disabled`, selector))
	p.js(fmt.Sprintf(`document.querySelector(%q).focus(), document.querySelector(%q).select()`, selector, selector))
	send(p, input.InsertText, input.InsertTextParams{Text: typed})
	p.do(chromedp.KeyEvent(kb.Enter))
}

// resize makes the screen another.
func (p *phone) resize(width, height int64) {
	p.t.Helper()
	send(p, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
		Width: width, Height: height, DeviceScaleFactor: 1, Mobile: p.touch,
	})
	p.until("it is redrawn", fmt.Sprintf(`(() => {
		const drawn = document.querySelector("#coming-drawing svg");
		return matchMedia("(width: %dpx) and (height: %dpx)").matches && (!drawn?.checkVisibility() ||
			Math.abs(drawn.getBoundingClientRect().width - drawn.parentElement.clientWidth) < 1);
	})()`, width, height))
}

// narrow asserts that it fits the narrowest phones, a phone on its side and a page zoomed to twice its size.
func (p *phone) narrow(where string) {
	p.t.Helper()
	for _, size := range [][2]int64{{360, 640}, {320, 640}, {844, 390}, {195, 422}} {
		p.resize(size[0], size[1])
		p.fit(fmt.Sprintf("%s at %d by %d", where, size[0], size[1]))
		p.picture(fmt.Sprintf("narrow-%d-%s", size[0], strings.ReplaceAll(where, " ", "-")))
	}
	p.resize(390, 844)
}

// listen records what is announced to a screen reader from now on; heard returns and clears it.
func (p *phone) listen() {
	p.t.Helper()
	p.js(`window.heard = [];
		for (const n of document.querySelectorAll("#say, #alarm"))
			new MutationObserver(() => heard.push(n.textContent.trim())).observe(n, { childList: true });`)
}

func (p *phone) heard() []string { p.t.Helper(); return eval[[]string](p, `heard.splice(0)`) }

// faults is what fitScript found, and on how much it looked.
type faults struct {
	Wide, Small, Faint, Nameless, Apart []string
	Texts, Targets                      int
}

// fit asserts what must hold on every screen: no sideways scrolling, nothing too small to hit, too faint to read or
// without a name.
func (p *phone) fit(where string) {
	p.t.Helper()
	found := eval[faults](p, fitScript)
	assert.Empty(p.t, found.Wide, "%s: wider than the screen", where)
	assert.Empty(p.t, found.Small, "%s: targets under 48 px", where)
	assert.Empty(p.t, found.Faint, "%s: contrast under 4.5:1, or 3:1 if large", where)
	assert.Empty(p.t, found.Nameless, "%s: controls without a name", where)
	assert.Empty(p.t, found.Apart, "%s: a number and its unit may stand on two lines", where)
	assert.Greater(p.t, found.Texts, 1, "%s: no text was seen", where)
	assert.Greater(p.t, found.Targets, 1, "%s: no target was seen", where)
}

// fitScript measures what the browser computed. Contrast and its thresholds: WCAG 2.1, success criterion 1.4.3, by
// which letters of 24 px and more are large (here only while it is armed, to give less light); size of
// a target: more than criterion 2.5.5 asks for, because thumbs are wet.
const fitScript = `(() => {
	const out = { Wide: [], Small: [], Faint: [], Nameless: [], Apart: [], Texts: 0, Targets: 0 };
	const shown = (n) => n.checkVisibility({ visibilityProperty: true }) && !n.closest(".spoken, .skip, option");
	const tell = (n) =>
		(n.id ? "#" + n.id : n.tagName + "." + n.getAttribute("class")) + " " + n.textContent.trim().slice(0, 40);
	const root = document.documentElement;
	const wide = root.clientWidth; // innerWidth grows on a phone with what is too wide
	if (root.scrollWidth > wide) {
		out.Wide.push("the page: " + root.scrollWidth + " of " + wide);
		for (const n of document.body.querySelectorAll("*")) {
			if (shown(n) && n.getBoundingClientRect().right > wide + 0.5) out.Wide.push(tell(n));
		}
	}
	const pen = document.createElement("canvas").getContext("2d");
	for (const n of document.querySelectorAll("select")) {
		if (!shown(n) || innerWidth < 360) continue;
		const look = getComputedStyle(n);
		pen.font = look.font;
		const arrow = 20, room = n.clientWidth - parseFloat(look.paddingLeft) - parseFloat(look.paddingRight) - arrow;
		for (const o of n.options) if (pen.measureText(o.label).width > room) out.Wide.push("cut off: " + o.label);
	}
	for (const n of document.querySelectorAll(".place")) {
		if (shown(n) && n.scrollWidth > n.clientWidth) out.Wide.push("the place: " + tell(n));
	}
	for (const n of document.querySelectorAll(".timeline text")) {
		const [r, room] = [n, n.ownerSVGElement].map((x) => x.getBoundingClientRect());
		if (shown(n) && (r.left < room.left - 1 || r.right > room.right + 1)) out.Wide.push("cut off: " + tell(n));
	}
	for (const n of document.querySelectorAll("button, input, select, summary, a")) {
		if (!shown(n)) continue;
		out.Targets++;
		const labels = [...(n.labels ?? [])].map((l) => l.textContent).join("");
		if ((n.ariaLabel ?? "") + labels + n.textContent === "") out.Nameless.push(tell(n));
		const r = (n.type === "checkbox" ? n.closest("label") : n).getBoundingClientRect();
		if (r.width < 47.9 || r.height < 47.9) out.Small.push(tell(n) + " " + r.width + " by " + r.height);
	}
	const scale = (n) => (n.ownerSVGElement ? n.getScreenCTM().a : 1);
	const parse = (c) => (c.match(/[\d.]+/g) ?? []).map(Number);
	const lum = ([r, g, b]) => {
		const [x, y, z] = [r, g, b].map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
		return 0.2126 * x + 0.7152 * y + 0.0722 * z;
	};
	const ground = (n) => {
		for (; n; n = n.parentElement) {
			const c = parse(getComputedStyle(n).backgroundColor);
			if (c.length === 3 || c[3] === 1) return c;
			if (c[3] > 0) return [128, 128, 128];
		}
		return [255, 255, 255];
	};
	const checkContrast = (n, colour, words) => {
		out.Texts++;
		const size = parseFloat(getComputedStyle(n).fontSize) * scale(n);
		const large = root.matches("[data-live]") && size >= 24;
		const [a, b] = [lum(parse(colour)), lum(ground(n))];
		const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
		const enough = ratio >= (large ? 3 : 4.5) && Number(getComputedStyle(n).opacity) === 1;
		if (!enough) out.Faint.push(words + ": " + ratio.toFixed(2));
	};
	const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	for (let t = walk.nextNode(); t; t = walk.nextNode()) {
		const n = t.parentElement;
		if (t.textContent.trim() === "" || !shown(n) || n.closest("script, noscript, style, defs")) continue;
		if (/\d (ms|s|µs|m|cm|mm|m\/s|°C?|V|mA|%)(?![\p{L}\d])/u.test(t.textContent)) out.Apart.push(tell(n));
		checkContrast(n, n.namespaceURI.endsWith("svg") ? getComputedStyle(n).fill : getComputedStyle(n).color, tell(n));
	}
	for (const n of document.querySelectorAll("input:not([type=checkbox]), select")) {
		if (shown(n)) checkContrast(n, getComputedStyle(n).color, tell(n) + " value");
	}
	return out;
})()`

// picture saves a screenshot into the folder that STILLWATER_PICTURES names, if it does.
func (p *phone) picture(name string) {
	p.t.Helper()
	folder := os.Getenv("STILLWATER_PICTURES")
	if folder == "" {
		return
	}
	require.NoError(p.t, os.WriteFile(filepath.Join(folder, name+".png"), p.screenshot(), 0o644))
}

// screenshot is what the phone shows, as PNG.
func (p *phone) screenshot() []byte {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	shot, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	require.NoError(p.t, err)
	return shot
}

// light asserts that a screen gives no more light than that.
func (p *phone) light(where string, most float64) {
	p.t.Helper()
	percent := p.luminance()
	p.t.Logf("%s: %.2f %% of white", where, percent)
	assert.LessOrEqual(p.t, percent, most, "%s gives more light", where)
}

// luminance is the mean relative luminance (WCAG 2.1, definition) of what is shown, in percent of a white screen.
func (p *phone) luminance() float64 {
	p.t.Helper()
	picture, err := png.Decode(bytes.NewReader(p.screenshot()))
	require.NoError(p.t, err)
	var linear [256]float64
	for i := range linear {
		if v := float64(i) / 255; v <= 0.04045 {
			linear[i] = v / 12.92
		} else {
			linear[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	sum, b := 0.0, picture.Bounds()
	for y := range b.Dy() {
		for x := range b.Dx() {
			r, g, blue, _ := picture.At(b.Min.X+x, b.Min.Y+y).RGBA()
			sum += 0.2126*linear[r>>8] + 0.7152*linear[g>>8] + 0.0722*linear[blue>>8]
		}
	}
	return 100 * sum / float64(b.Dx()*b.Dy())
}

// figures reads the figures of the newest shot's cue as shown: planned and actual in ms, late in µs.
func (p *phone) figures(cue string) map[string]string {
	p.t.Helper()
	return eval[map[string]string](p, fmt.Sprintf(`(() => {
		const rows = [...document.querySelectorAll("#shot tbody tr")];
		const row = rows.find((r) => r.querySelector("th").textContent === %q);
		return Object.fromEntries([...(row?.querySelectorAll("td") ?? [])].map((d) => [d.dataset.figure, d.textContent]));
	})()`, cue))
}

// holdSpace holds the space bar until it has armed and a little longer, with the repeats a keyboard sends.
func (p *phone) holdSpace() {
	p.t.Helper()
	space := input.DispatchKeyEventParams{Key: " ", Code: "Space", WindowsVirtualKeyCode: 32}
	space.Type = input.DispatchKeyEventTypeRawKeyDown
	repeat := false
	press := func() { space.AutoRepeat = &repeat; send(p, input.DispatchKeyEvent, space); repeat = true }
	press()
	for end := time.Now().Add(patience); time.Now().Before(end) && !eval[bool](p,
		`document.documentElement.dataset.state === "armed"`); {
		press()
	}
	for range 3 {
		press()
	}
	space.Type, space.AutoRepeat = input.DispatchKeyEventTypeKeyUp, nil
	send(p, input.DispatchKeyEvent, space)
}
