package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// country: a card's page says where its code is shown, and asks in which country its radio is used.
func (b *browser) country(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "country")
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--journal", filepath.Join(dir, "journal.db"), "--country-file", file)
	p := b.phone(t, d.url+"/", 390, 844, true)
	p.until("the code is asked for", `document.querySelector("#pair-card").checkVisibility()`)
	assert.Contains(t, p.plain("#pairing label"), "pairing.txt")
	p.picture("card-code")
	p.fit("card code")
	p.enter("#pair-code", d.code)
	p.state("safe", "Safe")
	p.place("setup")
	p.until("the country is asked for", `document.querySelector("#radio-country").checkVisibility()`)
	assert.Contains(t, p.text("#radio-words"), "allowed everywhere")
	assert.Equal(t, "Not chosen yet", eval[string](p, `document.querySelector("#radio-country").selectedOptions[0].label`))
	p.reach("#radio-country")
	p.js(`document.querySelector("#radio").scrollIntoView({ block: "center" })`)
	p.picture("card-country")
	p.fit("country")
	p.narrow("country")

	choose := func(code string) {
		p.js(`(s => { s.value = "` + code + `"; s.dispatchEvent(new Event("change")); })` +
			`(document.querySelector("#radio-country"))`)
	}
	choose("DE")
	p.until("it is chosen", `document.querySelector("#radio-said").textContent === "DE"`)
	assert.Contains(t, p.text("#radio-words"), "rules of this country")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, "DE\n", string(text))

	p.js(`document.querySelectorAll("#care-list input").forEach(i => i.click())`)
	p.arm()
	choose("AT")
	p.until("not while armed", `document.querySelector("#radio-refusal").textContent.includes("Disarm first")`)
	assert.Equal(t, "DE", p.value("#radio-country"))
	text, err = os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, "DE\n", string(text))
}
