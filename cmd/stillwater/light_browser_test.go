package main

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// openGuide opens the page of a new machine with the guide to light, focus and framing unfolded.
func (b *browser) openGuide(t *testing.T) (*machine, *phone) {
	d := startMachine(t)
	p := b.phone(t, d.url+"/#code="+d.code, 390, 844, true)
	p.state("safe", "Safe")
	p.until("this phone holds the controls", holding)
	p.place("setup")
	assert.Empty(t, eval[[]string](p, `[...document.querySelectorAll(".step-of")].map((n) => n.id)`), "not loaded yet")
	p.tap("#guide-fold > summary")
	p.until("the steps are there", `document.querySelectorAll("#guide .step-of").length === 7`)
	return d, p
}

// verdict waits for what a step comes to.
func (p *phone) verdict(step, verdict string) {
	p.t.Helper()
	p.until(step+" is "+verdict, fmt.Sprintf(`document.querySelector("#step-%s")?.dataset.verdict === %q`, step, verdict))
}

// TestLightGuide goes through light, focus and framing as somebody does who stands in the room.
func TestLightGuide(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	d, p := b.openGuide(t)
	assert.Equal(t, []string{"dark", "background", "key", "freeze", "focus", "framing", "away"},
		eval[[]string](p, `[...document.querySelectorAll(".step-of")].map((n) => n.dataset.step)`))

	p.tap("#step-dark > summary")
	p.verdict("dark", "unknown")
	p.fit("the first step")
	p.picture("light-1-dark")
	p.js(`(n => { n.value = "black-frame"; n.dispatchEvent(new Event("change")); })(document.querySelector("#f-room-by"))`)
	p.until("the choice is taken", `document.querySelector("#f-room-by").value === "black-frame" &&
		document.querySelector("#step-dark .step-next").textContent.includes("Type the shutter time")`)
	p.verdict("dark", "unknown") // how it will be measured says nothing yet
	assert.Empty(t, eval[string](p, `document.querySelector("#f-room-frame_open").value`), "nothing typed in advance")
	p.enter("#f-room-frame_seen", "60 %")
	p.verdict("dark", "unknown")
	p.enter("#f-room-frame_open", "1/125")
	p.verdict("dark", "change")
	assert.Contains(t, p.plain("#step-dark .step-next"), "Darken by")
	p.enter("#f-room-frame_open", "125")
	p.until("what could be two times is refused where it was typed",
		`document.querySelector("#f-room-frame_open-refusal")?.textContent.includes("it could be 1/125")`)
	assert.Equal(t, []string{"1/125", `125"`}, eval[[]string](p, `[...document.querySelectorAll(
		"#f-room-frame_open-refusal .fix")].map((n) => n.dataset.value)`))
	p.picture("light-1-two-times")
	p.tap(`#f-room-frame_open-refusal .fix[data-value="1/125"]`)
	p.until("one of the two is what it was, and the message is gone",
		`!document.querySelector("#f-room-frame_open-refusal").checkVisibility()`)
	p.enter("#f-room-frame_open", "125")
	p.until("it is refused again", `document.querySelector("#f-room-frame_open-refusal").checkVisibility()`)
	p.enter("#f-room-frame_open", "1/125 s")
	p.until("typed as it was, the message is gone",
		`!document.querySelector("#f-room-frame_open-refusal").checkVisibility()`)
	p.enter("#f-room-frame_seen", "0 %")
	p.tap(`#step-dark [data-field="room.frame_open"] .step:last-child`)
	p.until("a step is the next mark", `document.querySelector("#f-room-frame_open").value === "1/160 s"`)
	p.verdict("dark", "change") // black for a moment says little of a shutter that is open for longer
	p.enter("#f-room-frame_open", "1/2")
	p.verdict("dark", "works")
	p.enter("#f-room-frame_seen", "")
	p.verdict("dark", "unknown") // emptied, it is not known any more
	p.picture("light-1-emptied")
	p.enter("#f-room-frame_seen", "0 %")
	p.verdict("dark", "works")

	p.tap("#step-dark > .step-on")
	p.until("the next step is open", `document.querySelector("#step-background").open &&
		!document.querySelector("#step-dark").open && document.activeElement.closest("#step-background")`)
	p.enter("#f-background-seen", "100 %")
	p.verdict("background", "change")
	p.picture("light-2-background")
	p.enter("#f-background-seen", "80 %")
	p.verdict("background", "works")
	assert.True(t, eval[bool](p, `document.querySelector("#step-background svg[role=img]").ariaLabel.length > 50`))

	p.tap("#step-key > summary")
	p.tap("#step-key-fold > summary")
	p.enter("#f-flash-guide", "20")
	p.until("the flash is judged", `document.querySelector("#step-key .step-says").textContent.includes("stops")`)
	p.enter("#f-flash-others", "28 m, 1/16")
	p.until("what is missing of a second flash is said where it was typed",
		`document.querySelector("#f-flash-others-refusal")?.textContent.includes("the distance is missing")`)
	p.enter("#f-flash-others", "28 m, 1/16, 60 cm, 1/4000 s; 20 m, full, 1 m, 1/900 s")
	p.until("it is taken", `document.querySelector("#f-flash-others").value.endsWith("1/900 s") &&
		document.querySelector("#step-key svg").ariaLabel.includes("flash 3 at 1")`)
	p.fit("two more flashes")
	p.picture("light-3-key")
	p.js(`document.querySelector("#step-key .drawing").scrollIntoView()`)
	p.picture("light-3-plan")
	p.enter("#f-flash-others", "")
	p.until("empty is none", `document.querySelector("#f-flash-others").value === "" &&
		!document.querySelector("#step-key svg").ariaLabel.includes("flash 3")`)

	p.tap("#step-freeze > summary")
	p.tap("#step-freeze-fold > summary")
	p.enter("#f-flash-duration", "3.3")
	p.verdict("freeze", "works")
	p.enter("#f-flash-smear", "0")
	p.until("no blur was seen", `document.querySelector("#step-freeze .step-says").textContent === "No blur was seen."`)
	p.fit("freeze")
	p.picture("light-4-freeze")

	p.tap("#step-focus > summary")
	p.verdict("focus", "unknown")
	assert.Contains(t, p.plain("#step-focus .step-says"), "with the usual lens")
	p.tap("#step-framing > summary")
	p.tap("#step-framing-fold > summary")
	p.enter("#f-camera-focal", "105")
	p.verdict("framing", "works")
	p.picture("light-6-framing")
	const counted = `document.querySelector("#guide-count").textContent === [...document.querySelectorAll(".step-verdict")]
		.filter((n) => n.textContent.startsWith("?")).length + " of 7 steps to do"`
	assert.True(t, eval[bool](p, counted), "a step that is not ticked is still to do")
	p.tap(`#step-focus label[data-evening="focus"]`)
	p.verdict("focus", "works")
	assert.True(t, eval[bool](p, counted), "a step that is ticked is not")
	p.picture("light-5-focus")
	p.enter("#f-camera-distance", "12")
	p.verdict("focus", "change")
	p.until("of the usual distance, too", `document.querySelector("#step-focus .step-took").textContent.includes(
		"these no longer hold: the tick of step 5")`)
	p.picture("light-5-too-near")
	p.fit("too near")
	p.tap(`#step-focus .fix[data-field="camera.distance"]`)
	p.until("a distance that cannot work is corrected where it was typed",
		`document.querySelector("#f-camera-distance").value === "15"`)
	p.enter("#f-camera-distance", "50")
	p.verdict("focus", "unknown")
	p.until("of a lens that was moved the tick is taken back, by name",
		`document.querySelector("#step-focus .step-took").textContent.startsWith(
			"After changing Lens to focus spot, these no longer hold: Blur seen, the tick of step 5")`)
	p.picture("light-5-tick-taken")
	p.tap("#step-away > summary")
	p.until("the last step asks for it", `document.querySelector("#step-away .step-says").textContent.endsWith(
		"Not ticked yet: 5 (Focus on a stand-in, and lock it).")`)
	p.picture("light-7-away")
	p.tap(`#step-focus label[data-evening="focus"]`)
	p.verdict("focus", "works")
	p.until("of it nothing is said any more", `document.querySelector("#step-focus .step-took").textContent ===
		"After changing Lens to focus spot, these no longer hold: Blur seen. Check them again."`)
	p.until("the next shot shows how long the flash is lit",
		`document.querySelector("#coming-list").textContent.includes("lit from")`)

	p.resize(360, 640)
	p.fit("guide at 360")
	p.resize(1400, 900)
	p.fit("guide on a desk")
	p.picture("light-desk")
	p.resize(390, 844)
	p.do(chromedp.Reload())
	p.until("the values are kept", `document.querySelector("#f-background-seen")?.value === "80 %"`)
	p.verdict("dark", "works")
	p.clean()

	_, out, _ := calculate(t, "record again 1 --journal "+d.journal)
	assert.Contains(t, strings.ReplaceAll(out, "'", ""), "--set background.seen=80%")
}

// TestTakenBack: what was looked at before the aperture was changed is not known any more, and both steps say so. An
// empty field that needs something in it says that, and a step is ticked for one kind of shot.
func TestTakenBack(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	_, p := b.openGuide(t)
	p.tap("#step-background > summary")
	p.enter("#f-background-seen", "80")
	p.verdict("background", "works")
	assert.True(t, eval[bool](p, `document.querySelector("#f-camera-aperture").checkVisibility()`), "folded in no step")
	p.tap("#step-background .step-camera .lead-to")
	p.until("each step leads to the camera", `document.activeElement.id === "f-camera-aperture"`)
	p.picture("light-camera")
	p.enter("#f-camera-aperture", "f/11")
	p.verdict("background", "unknown")
	for _, place := range []string{"#step-background", ".camera-of"} {
		p.until(place+" says so", fmt.Sprintf(`document.querySelector("%s .step-took").textContent ===
			"After changing Aperture, these no longer hold: Background in the histogram. Check them again."`,
			place))
	}
	p.until("each step says with what",
		`document.querySelector("#step-key .step-camera").textContent.includes("f/11, ISO 400")`)
	p.fit("taken back")
	p.js(`document.querySelector(".camera-of .step-took").scrollIntoView({ block: "center" })`)
	p.picture("light-taken-back")
	p.enter("#f-camera-aperture", "")
	p.until("empty is said", `document.querySelector("#f-camera-aperture-refusal").textContent.includes("cannot be")`)
	p.enter("#f-background-seen", "75 %")
	p.until("looked at again", `document.querySelector(".camera-of .step-took").textContent === ""`)

	p.tap("#step-focus > summary")
	p.tap(`#step-focus label[data-evening="focus"]`)
	const focused = `document.querySelector('[data-evening="focus"] input').checked`
	p.until("it is ticked", focused)
	p.tap(`#kinds [data-kind="throw"]`)
	p.until("of another kind it is not", "!"+focused)

	p.tap("#step-freeze > summary")
	p.tap("#step-freeze-fold > summary")
	p.enter("#f-flash-smear", "5")
	p.verdict("freeze", "works")
	p.enter("#f-flash-figures", "1/1 1/300 s, 1/16 1/2000 s")
	p.until("durations become known", `document.querySelector("#f-flash-figures").value.includes("1/2000")`)
	assert.Equal(t, "5 pixels", eval[string](p, `document.querySelector("#f-flash-smear").value`), "and take nothing back")
	p.tap(`#kinds [data-kind="drop"]`)
	p.until("it was a throw's, and that is said", `document.querySelector("#f-flash-smear").value === "" &&
		document.querySelector("#step-freeze .step-took").textContent ===
			"After changing What flies, these no longer hold: Blur seen, the tick of step 5. Check them again."`)
	p.js(`document.querySelector("#step-freeze .step-took").scrollIntoView({ block: "center" })`)
	p.picture("light-other-kind")
	p.tap(`#kinds [data-kind="throw"]`)
	p.until("of a throw it is known", `document.querySelector("#f-flash-smear").value === "5 pixels" &&
		document.querySelector("#step-freeze .step-took").textContent === ""`)
	p.clean()
}

// TestLeadsToTheField: where the set cannot work, Shoot and the bar name the field in the page's own words, with its
// fix, and lead to it by a tap, wherever it is folded in.
func TestLeadsToTheField(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	_, p := b.openGuide(t)
	p.tap("#step-focus > summary")
	p.tap("#step-focus-fold > summary")
	p.enter("#f-camera-nearest", "80")
	p.until("it cannot work",
		`document.querySelector("#step-focus .step-says").textContent.includes("nearer than this lens")`)
	p.js(`document.querySelectorAll("#care-list input").forEach((n) => n.click())`)
	p.until("care is ticked", cared)
	p.place("setup")
	p.tap("#guide-fold > summary")
	p.do(chromedp.Reload()) // nothing of the guide is loaded
	p.until("the page is there", holding)
	p.place("shoot")
	const message = `document.querySelector("#coming-refusal")`
	p.until("it is named in the page's own words", message+`.textContent.includes("Change “Lens to focus spot”")`)
	for _, place := range []string{"#shoot", "#bar"} {
		assert.NotRegexp(t, `\b(camera|flash|room|background|light)\.[a-z_]+`, p.plain(place))
	}
	for _, wide := range []int64{390, 360} {
		p.resize(wide, map[int64]int64{390: 844, 360: 640}[wide])
		p.fit("a set that cannot work")
		p.picture(fmt.Sprintf("light-shoot-refused-%d", wide))
	}
	p.resize(390, 844)
	p.tap("#coming-refusal .lead-to")
	p.until("it is led to", `document.activeElement.id === "f-camera-distance" &&
		document.documentElement.dataset.place === "setup"`)
	p.picture("light-led-to")
	p.place("shoot")
	p.place("setup")
	p.until("the bar leads there, too", `document.querySelector("#bar-hint").textContent ===
		"To arm, correct “Lens to focus spot” first."`)
	p.picture("light-bar-refused")
	p.js(`document.activeElement.blur()`)
	p.tap("#bar-hint .lead-to")
	p.until("by a tap", `document.activeElement.id === "f-camera-distance"`)
	p.place("shoot")
	p.tap(`#coming-refusal .fix[data-field="camera.distance"]`)
	p.until("or mends it", `!document.querySelector("#coming-refusal").checkVisibility() &&
		document.querySelector("#bar-hint").textContent === ""`)
	p.clean()
}

// TestNamesKeepTheirRoom: the place that is shown and the kind that is chosen have bolder edges, and their words still
// fit where they were.
func TestNamesKeepTheirRoom(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	_, p := b.openGuide(t)
	for _, wide := range []int64{390, 360} {
		p.resize(wide, 844)
		for _, place := range []string{"shoot", "lookback", "setup"} {
			p.place(place)
			assert.Empty(t, eval[[]string](p, `[...document.querySelectorAll("#tabs button")].filter((n) => {
				const words = document.createRange();
				words.selectNodeContents(n);
				const [a, b] = [words.getBoundingClientRect(), n.getBoundingClientRect()];
				return a.left < b.left + 2 || a.right > b.right - 2;
			}).map((n) => n.textContent)`), "%s at %d", place, wide)
		}
		p.picture(fmt.Sprintf("tabs-%d", wide))
		const row = `document.querySelector("#kinds").getBoundingClientRect().height`
		high := eval[float64](p, row)
		for _, kind := range []string{"drops", "throw", "drop"} {
			p.tap(`#kinds [data-kind="` + kind + `"]`)
			p.until(kind+" is chosen", `document.querySelector('#kinds [data-kind="`+kind+`"]').ariaPressed === "true"`)
			assert.InDelta(t, high, eval[float64](p, row), 0.5, "%s at %d", kind, wide)
			p.picture(fmt.Sprintf("kinds-%s-%d", kind, wide))
		}
	}
	p.clean()
}

// TestRefusalIsNotUnderTheBar: what is refused in the lowest field that can be seen is seen, too.
func TestRefusalIsNotUnderTheBar(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	_, p := b.openGuide(t)
	p.at("#f-camera-aperture")
	p.js(`document.querySelector("#f-camera-aperture").scrollIntoView({ block: "end" })`)
	p.js(`document.querySelector("#f-camera-aperture").focus(), document.querySelector("#f-camera-aperture").select()`)
	send(p, input.InsertText, input.InsertTextParams{Text: "f/0"})
	p.do(chromedp.KeyEvent(kb.Enter))
	p.until("it is refused", `document.querySelector("#f-camera-aperture-refusal")?.checkVisibility()`)
	p.until("and that is above the bar",
		`document.querySelector("#f-camera-aperture-refusal").getBoundingClientRect().bottom <=
			document.querySelector("#bar").getBoundingClientRect().top`)
	p.picture("refusal-above-bar")
	p.clean()
}

// TestEveningList: it is ticked, blocks nothing, and begins anew with a session.
func TestEveningList(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	_, p := b.openGuide(t)
	p.tap("#evening-fold > summary")
	p.until("the list is there", `document.querySelectorAll("#evening-list label").length === 7`)
	p.tap(`#evening-list label[data-evening="towels"]`)
	p.until("it is ticked", `document.querySelector('[data-evening="towels"] input').checked`)
	assert.Equal(t, "6 left", p.plain("#evening-count"))
	p.js(`document.querySelector("#evening").scrollIntoView()`)
	p.fit("the evening's list")
	p.picture("evening")
	p.tap(`#evening-list label[data-evening="towels"]`)
	p.until("it is not ticked any more", `!document.querySelector('[data-evening="towels"] input').checked`)
	p.tap(`#evening-list label[data-evening="lamp"]`)
	p.until("another is ticked", `document.querySelector('[data-evening="lamp"] input').checked`)
	p.enter("#session-name", "another")
	p.tap("#session-form button")
	p.until("a new session asks again", `!document.querySelector('[data-evening="lamp"] input').checked`)
	p.clean()
}

// TestLightGuideRules: axe-core finds nothing wrong with the guide and the list, whatever they say.
func TestLightGuideRules(t *testing.T) {
	t.Parallel()
	check := axe(t)
	b := startBrowser(t)
	_, p := b.openGuide(t)
	p.js(`document.querySelector("#evening-fold").open = true`)
	for _, seen := range []string{"100 %", "80 %"} {
		p.js(`for (const d of document.querySelectorAll("#guide details")) d.open = true`)
		p.enter("#f-background-seen", seen)
		p.until("it is taken", fmt.Sprintf(`document.querySelector("#f-background-seen").value === %q`, seen))
		assert.Empty(t, check(p, seen))
	}
	p.enter("#f-camera-aperture", "f/0")
	p.until("it is refused", `document.querySelector("#f-camera-aperture-refusal")?.checkVisibility()`)
	assert.Empty(t, check(p, "a refusal"))
	require.NotEmpty(t, eval[[]string](p, `[...document.querySelectorAll("#guide svg")].map((n) => n.ariaLabel)`))
	says := func(what, selector, words, field, value string) {
		t.Helper()
		p.enter("#f-"+strings.Replace(field, ".", "-", 1), value)
		p.until(what, fmt.Sprintf(`[...document.querySelectorAll(%q)].some((n) => n.textContent.includes(%q))`,
			selector, words))
		assert.Empty(t, check(p, what))
	}
	p.enter("#f-flash-seen", "95 %")
	says("readings contradict each other", "#step-key .step-says", "contradict", "flash.reading", "f/1.4")
	says("droplets reach the lens", "#step-framing .step-next", "Droplets can reach the lens", "drop.height", "150")
	says("what is taken back", ".step-took", "no longer hold", "camera.aperture", "f/8")
	says("a set that cannot work", "#bar-hint, #coming-refusal", "first tick every point", "camera.nearest", "150")
	p.place("shoot")
	assert.Empty(t, check(p, "what cannot work, in Shoot"))
}
