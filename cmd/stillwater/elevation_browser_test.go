package main

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"stillwater/internal/control"
	"stillwater/internal/elevation"
	"stillwater/internal/shot"
)

// drawn puts a changed set into a snapshot, with its drawing, as the machine does.
func drawn(t *testing.T, s *control.Snapshot, field, value string) {
	t.Helper()
	require.NoError(t, s.Set.Put(field, value))
	s.Elevation = elevation.Draw(s.Set, elevation.Options{ForPage: true}).SVG
}

// elevationScript finds what is wrong with a drawing in a real browser, with the letters that it has.
const elevationScript = `(() => {
	const svg = document.querySelector("#elevation svg"), out = [];
	const rect = (n) => n.getBoundingClientRect();
	const inside = (a, b) =>
		a.left >= b.left - 1 && a.right <= b.right + 1 && a.top >= b.top - 1 && a.bottom <= b.bottom + 1;
	for (const g of svg.querySelectorAll("[data-field]")) {
		const hit = rect(g.querySelector(".hit"));
		const name = g.dataset.field;
		if (hit.width < 47.9 || hit.height < 47.9) out.push(name + " is " + hit.width + " by " + hit.height);
		if (g.getAttribute("role") !== "button" || g.tabIndex !== 0 || !g.getAttribute("aria-label").endsWith(": change"))
			out.push(name + " cannot be pressed: " + g.outerHTML.slice(0, 120));
		for (const t of g.querySelectorAll("text"))
			if (!inside(rect(t), hit)) out.push(t.textContent + " is outside its box");
	}
	const texts = [...svg.querySelectorAll("text")];
	texts.forEach((a, i) => {
		if (!inside(rect(a), rect(svg))) out.push(a.textContent + " is cut off");
		for (const b of texts.slice(0, i)) {
			const [r, s] = [rect(a), rect(b)];
			const x = Math.min(r.right, s.right) - Math.max(r.left, s.left);
			const y = Math.min(r.bottom, s.bottom) - Math.max(r.top, s.top);
			if (x > 0 && y > 4) out.push(a.textContent + " overlaps " + b.textContent); // lines of a text touch
		}
	});
	return out;
})()`

// TestElevationOnAPhone: the set is seen from the side, and a distance in it is pressed, typed, and changed.
func TestElevationOnAPhone(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	m, p := b.stage(t, func(m *fakeControl) { drawn(t, &m.snap, "drop.height", "40 cm") })
	p.until("the set is drawn", `document.querySelector("#elevation svg desc")?.textContent.includes("above the water")`)
	assert.Equal(t, "Side elevation of the set", eval[string](p, `document.querySelector("#elevation svg").ariaLabel`))
	assert.True(t, eval[bool](p, `document.querySelector("#coming-summary").matches(".spoken")`), "for screen readers")
	p.fit("drop")
	p.picture("elevation-drop")
	assert.Empty(t, eval[[]string](p, elevationScript), "drop")
	p.resize(360, 640)
	p.fit("drop at 360")
	assert.Empty(t, eval[[]string](p, elevationScript), "drop at 360")
	p.resize(390, 844)

	p.tap(`#elevation [data-field="drop.height"] .value`)
	p.until("its field is open",
		`document.activeElement.id === "f-drop-height" && document.activeElement.closest(".editor")`)
	p.fit("editor")
	p.picture("elevation-editor")
	p.enter("#f-drop-height", "55")
	set := m.await(t, "set")
	assert.Equal(t, control.Command{Type: "set", Field: "drop.height", Value: "55 cm", Epoch: 7}, set)
	m.be(func(s *control.Snapshot) { drawn(t, s, "drop.height", "55 cm") })
	p.until("it is drawn, and the field is closed", `document.querySelector(".editor").hidden &&
		document.activeElement.ariaLabel?.replace("\u00a0", " ") === "55 cm height of fall: change"`)
	assert.True(t, eval[bool](p, `document.querySelector("#set-list #f-drop-height") !== null`), "and where it was")

	m.mu.Lock()
	m.refuse["set"] = &control.Refusal{Field: "drop.beam", Why: "9 m is more than 5 m", Remedy: "use 1 mm to 5 m"}
	m.mu.Unlock()
	p.js(`document.querySelector('#elevation [data-field="drop.beam"]').focus()`)
	p.do(chromedp.KeyEvent(kb.Enter))
	p.until("the keyboard opens it", `document.activeElement.id === "f-drop-beam"`)
	p.enter("#f-drop-beam", "900")
	p.until("it is refused where it was typed",
		`document.querySelector(".editor .refusal")?.textContent.includes("9\u00a0m is more than 5\u00a0m")`)
	assert.False(t, eval[bool](p, `document.querySelector(".editor").hidden`))
	p.picture("elevation-refused")
	p.do(chromedp.KeyEvent(kb.Escape))
	p.until("it is closed", `document.querySelector(".editor").hidden &&
		document.activeElement.dataset.field === "drop.beam"`)
	assert.False(t, eval[bool](p, `document.documentElement.hasAttribute("data-live")`))

	p.tap(`#elevation [data-field="drop.beam"] .value`)
	for _, kind := range []shot.Kind{shot.Throw, shot.Sound} {
		m.be(func(s *control.Snapshot) { drawn(t, s, "kind", string(kind)) })
		p.until("the other kind is drawn", fmt.Sprintf(`document.querySelector('#elevation [data-field^="%s."]')`, kind))
		assert.True(t, eval[bool](p, `document.querySelector(".editor").hidden`), "the other kind's field is closed")
		p.fit(string(kind))
		p.js(`document.querySelector("#elevation").scrollIntoView({ block: "center" })`)
		p.picture("elevation-" + string(kind))
		assert.Empty(t, eval[[]string](p, elevationScript), kind)
	}
	m.be(func(s *control.Snapshot) { s.Holder = "phone 2" })
	p.until("who looks on cannot press", `document.querySelector("#elevation [data-field]").ariaDisabled === "true"`)
	m.be(func(s *control.Snapshot) { s.Elevation = "" })
	p.until("without a drawing there is none", `document.querySelector("#elevation svg") === null`)
	p.clean()
}
