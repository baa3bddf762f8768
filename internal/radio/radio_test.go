package radio

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestACountryIsKept(t *testing.T) {
	f := File(filepath.Join(t.TempDir(), "country"))
	code, err := f.Country()
	require.NoError(t, err)
	assert.Empty(t, code)
	require.NoError(t, f.SetCountry("DE"))
	require.NoError(t, f.SetCountry("GB"))
	code, err = f.Country()
	require.NoError(t, err)
	assert.Equal(t, "GB", code)
	text, err := os.ReadFile(string(f))
	require.NoError(t, err)
	assert.Equal(t, "GB\n", string(text))

	for _, wrong := range []string{"", "00", "de", "DEU", "XX", "D\n", "; reboot", "DE\n; reboot"} {
		assert.ErrorIs(t, f.SetCountry(wrong), ErrUnknown, "%q", wrong)
	}
	code, err = f.Country()
	require.NoError(t, err)
	assert.Equal(t, "GB", code, "what is refused changes nothing")
}

func TestADamagedFileIsNoCountry(t *testing.T) {
	f := File(filepath.Join(t.TempDir(), "country"))
	for _, text := range []string{"de\n", "DE AT", "\x00\x00", "a long text that is no country"} {
		require.NoError(t, os.WriteFile(string(f), []byte(text), 0o600))
		_, err := f.Country()
		assert.ErrorContains(t, err, string(f), text)
	}
	require.NoError(t, os.WriteFile(string(f), nil, 0o600))
	code, err := f.Country()
	assert.NoError(t, err)
	assert.Empty(t, code)
	assert.Error(t, File(filepath.Join(t.TempDir(), "none", "country")).SetCountry("DE"))
}

func TestCountriesAreTwoLetters(t *testing.T) {
	assert.Len(t, Countries(), 181)
	seen := map[string]bool{}
	for _, code := range Countries() {
		assert.Regexp(t, "^[A-Z]{2}$", code)
		assert.False(t, seen[code], code)
		seen[code] = true
	}
}
