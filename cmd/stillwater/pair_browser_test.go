package main

import (
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// longCode: somebody's guesses change the code while somebody looks at the screen that asks for it. It then asks for
// the other form, with the keyboard for it, and takes the code as people type it.
func (b *browser) longCode(t *testing.T) {
	d := startMachine(t)
	p := b.phone(t, d.url+"/", 360, 640, true)
	keyboard := func() string { return eval[string](p, `document.querySelector("#pair-code").inputMode`) }
	p.until("the code is asked for", `document.querySelector("#pair-code")?.checkVisibility()`)
	assert.Equal(t, "numeric", keyboard())
	assert.Contains(t, p.text("#pairing label"), "six digits")
	assert.False(t, eval[bool](p, `document.querySelector("#pair-refusal").checkVisibility()`))
	p.picture("phone-20-short-code")
	p.until("it knows the form of the code", `document.querySelector("#pairing").dataset.form === "short"`)
	assert.NotContains(t, eval[string](p, `document.querySelector("#pairing label").innerText`), "sudo")
	assert.Equal(t, "Pair this phone · Stillwater", eval[string](p, `document.title`))
	const place = `JSON.stringify(document.querySelector("#pairing button").getBoundingClientRect())`
	button := eval[string](p, place)
	still := func() {
		assert.Equal(t, button, eval[string](p, place), "the button moved")
		assert.LessOrEqual(t,
			eval[float64](p, `document.querySelector("#pair-refusal").getBoundingClientRect().bottom`), 640.0)
	}
	for range 20 {
		require.Equal(t, http.StatusForbidden, d.tryCode("x").StatusCode)
	}
	code := strings.TrimPrefix(waitForLine(t, d.lines, "  pairing code  "), "  pairing code  ")

	p.until("it asks for the long code by itself", `document.querySelector("#pairing").dataset.form === "long"`)
	assert.Equal(t, "text", keyboard())
	assert.Contains(t, p.text("#pairing label"), "ten letters and digits")
	assert.Contains(t, p.text("#pair-refusal"), "Look at its screen")
	still()
	p.picture("phone-21-long-code")
	p.fit("long code")
	p.enter("#pair-code", d.code)
	p.until("the old code is refused", `document.querySelector("#pair-refusal").textContent.includes("many wrong codes")`)
	still()
	p.picture("phone-22-old-code")
	p.fit("old code")
	p.enter("#pair-code", wrongCode(code))
	p.until("a wrong code is refused",
		`document.querySelector("#pair-refusal").textContent.includes("10 letters and digits")`)
	still()
	p.picture("phone-23-wrong-long-code")
	p.fit("wrong long code")
	p.enter("#pair-code", strings.ToLower(strings.Replace(code, "-", " ", 1)))
	p.state("safe", "Safe")
	p.clean()

	p = b.phone(t, d.url+"/#code="+code, 390, 844, true)
	p.state("safe", "Safe")
	p.clean()
}

// An invitation that is opened where the page asks for the code already pairs it, too.
func TestInvitationInAnOpenPage(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	d := startMachine(t)
	p := b.phone(t, d.url+"/", 390, 844, true)
	p.until("the code is asked for", `document.querySelector("#pair-code")?.checkVisibility()`)
	p.js(`location.hash = "code=` + d.code + `"`)
	p.state("safe", "Safe")
	p.until("the code is out of the address", `location.hash === ""`)
	p.clean()
}

// A service has no terminal that anybody sees: the page says which command shows the code.
func (b *browser) serviceCode(t *testing.T) {
	folder := t.TempDir()
	d := startDaemonIn(t, func(key string) string {
		if key == "RUNTIME_DIRECTORY" {
			return folder
		}
		return ""
	}, "--listen", "127.0.0.1:0", "--journal", filepath.Join(t.TempDir(), "j.db"))
	p := b.phone(t, d.url+"/", 360, 640, true)
	p.until("the command is named", `document.querySelector("#pair-service").checkVisibility()`)
	said := eval[string](p, `document.querySelector("#pairing label").innerText`)
	assert.Contains(t, said, "sudo stillwater pairing")
	assert.NotContains(t, said, "where it was started")
	p.fit("code of a service")
	p.picture("phone-24-service")
}
