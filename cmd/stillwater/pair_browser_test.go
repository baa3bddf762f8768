package main

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// longCode: somebody's guesses change the code while somebody looks at the screen that asks for it. It then asks for
// the other form, with the keyboard for it, and takes the code as people type it.
func (b *browser) longCode(t *testing.T) {
	d := startMachine(t)
	p := b.phone(t, d.url+"/", 390, 844, true)
	keyboard := func() string { return eval[string](p, `document.querySelector("#pair-code").inputMode`) }
	p.until("the code is asked for", `document.querySelector("#pair-code")?.checkVisibility()`)
	assert.Equal(t, "numeric", keyboard())
	assert.Contains(t, p.text("#pairing label"), "six digits")
	assert.False(t, eval[bool](p, `document.querySelector("#pair-no").checkVisibility()`))
	p.picture("phone-20-short-code")
	p.until("it knows the form of the code", `performance.getEntriesByType("resource").some(
		(r) => new URL(r.name).pathname === "/paired" && r.responseEnd > 0)`)
	for range 20 {
		require.Equal(t, http.StatusForbidden, d.tryCode("x").StatusCode)
	}
	code := strings.TrimPrefix(waitForLine(t, d.lines, "  pairing code  "), "  pairing code  ")

	p.until("it asks for the long code by itself", `document.querySelector("#pairing").matches("[data-long]")`)
	assert.Equal(t, "text", keyboard())
	assert.Contains(t, p.text("#pairing label"), "ten letters and digits")
	assert.Contains(t, p.text("#pair-no"), "Look at its screen")
	p.picture("phone-21-long-code")
	p.fit("long code")
	p.enter("#pair-code", d.code)
	p.until("the old code is refused", `document.querySelector("#pair-no").textContent.includes("many wrong codes")`)
	p.picture("phone-22-old-code")
	p.fit("old code")
	p.enter("#pair-code", wrongCode(code))
	p.until("a wrong code is refused", `document.querySelector("#pair-no").textContent.includes("10 letters and digits")`)
	p.picture("phone-23-wrong-long-code")
	p.fit("wrong long code")
	p.enter("#pair-code", strings.ToLower(strings.Replace(code, "-", " ", 1)))
	p.state("safe", "Safe")
	p.clean()

	p = b.phone(t, d.url+"/#code="+code, 390, 844, true)
	p.state("safe", "Safe")
	p.clean()
}
