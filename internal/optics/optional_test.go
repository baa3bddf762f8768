package optics

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

type texts interface {
	String() string
	UnmarshalText([]byte) error
}

// What nobody has looked at and what was seen to be nothing are written, stored and read as two different things.
func TestOptional(t *testing.T) {
	for _, c := range []struct {
		empty  func() texts
		text   string
		prints string
	}{
		{func() texts { return new(Optional[Level]) }, "unknown", "unknown"},
		{func() texts { return new(Optional[Level]) }, "none", "unknown"},
		{func() texts { return new(Optional[Level]) }, "0 %", "0 %"},
		{func() texts { return new(Optional[MeterEV]) }, "0 EV", "0 EV"},
		{func() texts { return new(Optional[MeterEV]) }, "Unknown ", "unknown"},
		{func() texts { return new(Optional[ExposureTime]) }, "1/125", "1/125 s"},
		{func() texts { return new(Optional[Pixels]) }, "0", "0 pixels"},
		{func() texts { return new(Optional[Pixels]) }, "1 px", "1 pixel"},
		{func() texts { return new(Optional[Pixels]) }, "unknown", "unknown"},
	} {
		o := c.empty()
		require.NoError(t, o.UnmarshalText([]byte(c.text)), c.text)
		assert.Equal(t, c.prints, o.String(), c.text)
		stored, err := json.Marshal(o)
		require.NoError(t, err)
		back := c.empty()
		require.NoError(t, json.Unmarshal(stored, back))
		assert.Equal(t, o, back)
	}
}

// JSON may write the same text with escapes.
func TestOptionalWithEscapes(t *testing.T) {
	var open Optional[ExposureTime]
	require.NoError(t, json.Unmarshal([]byte(`"1\/12\u0035"`), &open))
	assert.Equal(t, "1/125 s", open.String())
	assert.Error(t, json.Unmarshal([]byte("null"), &open))
	assert.Equal(t, "1/125 s", open.String())
}

// What could mean either is refused, and leaves the value as it was.
func TestOptionalRefused(t *testing.T) {
	smear, open := Known(Pixels(3)), Known(ExposureTime(1))
	for text, why := range map[string]string{"none": "write it like 12, 0 if there was no blur, or unknown",
		"-1": "outside 0", "1.5": "not a whole number", "": "not a whole number"} {
		assert.ErrorContains(t, smear.UnmarshalText([]byte(text)), why)
	}
	wrong := new(phys.ParseError)
	require.ErrorAs(t, open.UnmarshalText([]byte("B")), &wrong)
	assert.Contains(t, wrong.Why, "held open")
	assert.Equal(t, []any{Known(Pixels(3)), Known(ExposureTime(1))}, []any{smear, open})
}

// Sets were once stored with a number of pixels, of which 0 was not looked.
func TestStoredPixels(t *testing.T) {
	var o Optional[Pixels]
	require.NoError(t, json.Unmarshal([]byte("7"), &o))
	assert.Equal(t, Known(Pixels(7)), o)
	require.NoError(t, json.Unmarshal([]byte("0"), &o))
	assert.Equal(t, Optional[Pixels]{}, o)
	assert.Error(t, json.Unmarshal([]byte("-3"), &o))
}

// FuzzOptional: what is read is printed and read again as it was.
func FuzzOptional(f *testing.F) {
	for _, text := range []string{"unknown", "0 %", "1/125", "-2 EV", "12 pixels"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		again(t, text, func() texts { return new(Optional[Level]) })
		again(t, text, func() texts { return new(Optional[MeterEV]) })
		again(t, text, func() texts { return new(Optional[ExposureTime]) })
		again(t, text, func() texts { return new(Optional[Pixels]) })
	})
}

func again(t *testing.T, text string, empty func() texts) {
	o := empty()
	if err := o.UnmarshalText([]byte(text)); err != nil {
		require.Equal(t, empty(), o)
		return
	}
	back := empty()
	require.NoError(t, back.UnmarshalText([]byte(o.String())), "%q printed %q", text, o)
	require.Equal(t, o, back)
}
