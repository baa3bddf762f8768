package main

import (
	"bytes"
	"encoding/json"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

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

// An invitation that is accepted can be shown, with an address that browsers open and a code that people can type, and
// is written and read again as it was.
func FuzzParseInvitation(f *testing.F) {
	for _, seed := range []string{`{"listening":"192.168.7.9:8737","name":"studio","code":"135790"}`,
		`{"listening":"[::]:8737","code":"01234-ABCDE"}`, `{}`, `null`, `{"listening":"","code":"1"}`,
		`{"listening":"127.0.0.1:0","code":"1"}`, `{"listening":"[fe80::1%a/b]:1","name":"a.b","code":"1"}`,
		`{"listening":"1.2.3.4:5","name":"a\u001b[31m","code":"\u001b[31m"}`, `{"listening":"1.2.3.4:5","code":"1"}{}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		in, err := parseInvitation(text)
		if err != nil {
			require.Zero(t, in)
			return
		}
		require.NotEmpty(t, in.Code)
		for _, r := range in.Name + in.Code {
			require.True(t, r > ' ' && r <= '~', "%+v", in)
		}
		urls := in.urls(reachableHosts(in.Listening.Addr(), nil))
		require.NotEmpty(t, urls)
		for _, page := range urls {
			u, err := url.Parse(page)
			require.NoError(t, err, page)
			require.NotEmpty(t, u.Hostname())
			require.Equal(t, strconv.Itoa(int(in.Listening.Port())), u.Port())
		}
		again, err := json.Marshal(in)
		require.NoError(t, err)
		back, err := parseInvitation(again)
		require.NoError(t, err)
		require.Equal(t, in, back)
	})
}

// Whatever words come from outside, each line that is shown of them can be printed and is not long, and plain words
// stay as they are.
func FuzzPrintable(f *testing.F) {
	for _, seed := range []string{"plain words\nin lines", "\x1b[31mred", "a\u202eb", "\xff\ufffd", "'\\'", "\t\r\n\x00",
		strings.Repeat("é", maxLineBytes)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		shown := printable(text)
		plain := utf8.ValidString(text)
		for _, r := range text {
			plain = plain && (r == '\n' || strconv.IsPrint(r))
		}
		lines := strings.Split(shown, "\n")
		require.Len(t, lines, strings.Count(text, "\n")+1)
		for i, line := range lines {
			require.True(t, utf8.ValidString(line), "%q", line)
			for _, r := range line {
				require.True(t, strconv.IsPrint(r), "%q", line)
			}
			require.LessOrEqual(t, len(line), maxLineBytes+20)
			if was := strings.Split(text, "\n")[i]; plain && len(was) <= maxLineBytes {
				require.Equal(t, was, line)
			}
		}
	})
}
