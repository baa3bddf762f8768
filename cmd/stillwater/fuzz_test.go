package main

import (
	"bytes"
	"encoding/json"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Commands that only compute take any words: they answer, or say what is wrong with them, and with --json the answer is
// one JSON object.
func FuzzCommandLine(f *testing.F) {
	for _, seed := range []string{"drop\n--height\n40cm\n--json", "throw\n--speed\n1e308 m/s", "sound\n--distance\n-0 m",
		"help\nboard", "version\nx", "drop\n--beam=1/0 m", "throw\n--angle\nNaN deg",
		"drop\n--liquid\nmilk\n--json\n--json"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if strings.Contains(text, "svg") {
			return // would write a file of any name
		}
		words := strings.Split(text, "\n")
		switch words[0] {
		case "drop", "throw", "sound", "help", "version":
		default:
			words[0] = "drop"
		}
		var out, errs bytes.Buffer
		m := &Main{Stdout: &out, Stderr: &errs, Getenv: func(string) string { return "" }}
		switch status := m.Run(t.Context(), words); status {
		case 0:
			assert.Empty(t, errs.String())
			assert.NotEmpty(t, out.String())
		case 1, 2:
			assert.True(t, strings.HasPrefix(errs.String(), "stillwater: "), errs.String())
			assert.Contains(t, errs.String(), words[0])
		default:
			t.Fatalf("%q: exit status %d", words, status)
		}
		for _, r := range errs.String() {
			require.True(t, r == '\n' || strconv.IsPrint(r), "%q", errs.String())
		}
		assert.Less(t, out.Len(), 64<<10)
		assert.Less(t, errs.Len(), 4<<10+4*len(text), "of what was typed, and some words")
		if strings.HasPrefix(out.String(), "{") {
			assert.True(t, json.Valid(out.Bytes()), out.String())
		}
	})
}
