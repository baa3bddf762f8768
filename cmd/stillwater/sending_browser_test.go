package main

import (
	"encoding/json"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
)

// TestSlowSending: where the network is slow the parts of a file become smaller, and larger again when it is not; after
// each part that did not come the machine is asked what did.
func TestSlowSending(t *testing.T) {
	t.Parallel()
	_, p, _ := cameraEvening(t, startBrowser(t))
	p.js(`import("./js/lookback/sending.js").then(({ Sending }) => {
		window.sizes = [];
		let slow = 3;
		window.fetch = async (address, { body }) => {
			const at = Number(new URL(address, location).searchParams.get("at"));
			sizes.push(body.byteLength);
			if (body.byteLength > 100e3 && slow-- > 0) return Response.json({ field: "", why: "", remedy: "" }, { status: 408 });
			return Response.json({ have: at + body.byteLength, key: "k", waits: false, refusal: null });
		};
		window.sending = new Sending(1, () => {});
		sending.add([new File([new Uint8Array(400 * 1024)], "A.JPG")]);
	})`)
	p.until("it is sent", `window.sending?.done === 1`)
	const kB = 1024
	assert.Equal(t, []int{16 * kB, 384 * kB, 0, 256 * kB, 0, 128 * kB, 0, 64 * kB, 128 * kB, 192 * kB},
		eval[[]int](p, `sizes`))
}

// TestBusyMachine: why a file has to wait is said in the machine's own words, and it goes on by itself.
func TestBusyMachine(t *testing.T) {
	t.Parallel()
	_, p, _ := cameraEvening(t, startBrowser(t))
	p.js(`import("./js/lookback/sending.js").then(({ Sending }) => {
		window.waits = [];
		let asked = 0;
		window.fetch = async (_, { body }) => asked++ === 0
			? Response.json({ field: "file", why: "A.JPG: 8 other files are on their way.", remedy: "" }, { status: 429 })
			: Response.json({ have: body.byteLength, key: "k", waits: false, refusal: null });
		window.sending = new Sending(1, () => waits.push(window.sending?.waits));
		sending.add([new File([new Uint8Array(100)], "A.JPG")]);
	})`)
	p.until("it is sent", `window.sending?.done === 1`)
	assert.Contains(t, eval[[]string](p, `waits.filter(Boolean)`),
		"A.JPG: 8 other files are on their way. Sending continues in a moment.")
	assert.Empty(t, eval[[]string](p, `sending.problems`))
}

// TestLookBackJudgesFirst: in Look back, too, the words of a practice shot wait until it was judged, or are asked for.
func TestLookBackJudgesFirst(t *testing.T) {
	t.Parallel()
	_, p, _ := cameraEvening(t, startBrowser(t))
	shots := []control.ShotView{seenShot(1), seenShot(2)}
	shots[0].ID, shots[0].Verdict = 1, ""
	shots[1].ID = 2
	text, err := json.Marshal(shots)
	require.NoError(t, err)
	p.js(fmt.Sprintf(`import("./js/lookback/shotrow.js").then(({ ShotRow }) => {
		const host = { commands: {}, able: true, frameOf: () => null };
		window.rows = %s.map((shot) => new ShotRow(shot, host));
		rows.forEach((r) => { document.body.prepend(r.node); r.set(true); });
	})`, text))
	p.until("they are there", `window.rows?.length === 2`)
	const said = `rows.map((r) => !r.node.querySelector(".past-detail .seen").hidden)`
	assert.Equal(t, []bool{false, true}, eval[[]bool](p, said), "the words of one that was judged are there")
	p.js(`rows[0].node.querySelector(".tell").click()`)
	assert.Equal(t, []bool{true, true}, eval[[]bool](p, said), "or asked for")
	assert.True(t, eval[bool](p, `document.activeElement.matches(".seen")`), "a screen reader reads them")
	assert.True(t, eval[bool](p, `rows[0].node.querySelector(".tell").hidden`))
}
