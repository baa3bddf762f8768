package pairing

import (
	"encoding/json"
	"net/url"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// An invitation that is accepted can be shown, with an address that browsers open and a code that people can type, and
// is written and read again as it was.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{`{"listening":"192.168.7.9:8737","name":"studio","code":"135790"}`,
		`{"listening":"[::]:8737","code":"01234-ABCDE"}`, `{}`, `null`, `{"listening":"","code":"1"}`,
		`{"listening":"127.0.0.1:0","code":"1"}`, `{"listening":"[fe80::1%a/b]:1","name":"a.b","code":"1"}`,
		`{"listening":"1.2.3.4:5","name":"a\u001b[31m","code":"\u001b[31m"}`, `{"listening":"1.2.3.4:5","code":"1"}{}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		in, err := parse(text)
		if err != nil {
			require.Zero(t, in)
			return
		}
		require.NotEmpty(t, in.Code)
		for _, r := range in.Name + in.Code {
			require.True(t, r > ' ' && r <= '~', "%+v", in)
		}
		urls := in.urls(nil)
		require.NotEmpty(t, urls)
		for _, page := range urls {
			u, err := url.Parse(page)
			require.NoError(t, err, page)
			require.NotEmpty(t, u.Hostname())
			require.Equal(t, strconv.Itoa(int(in.Listening.Port())), u.Port())
		}
		again, err := json.Marshal(in)
		require.NoError(t, err)
		back, err := parse(again)
		require.NoError(t, err)
		require.Equal(t, in, back)
	})
}
