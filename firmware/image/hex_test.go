package image

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/firmware/image/imagetest"
)

func TestParse(t *testing.T) {
	_, good := imagetest.Firmware("m328p 1.0", 3000)
	got, err := Parse([]byte(good))
	require.NoError(t, err)
	assert.Equal(t, Image{Name: "m328p 1.0", Bytes: 3000}, got)
	nothing := imagetest.Record(0, 4, []byte{0, 0}) + imagetest.Record(0, 3, []byte{0, 0, 0, 0})
	got, err = Parse([]byte(nothing + "\n" + good))
	require.NoError(t, err, "offsets of nothing, a start address and empty lines are allowed")
	assert.Equal(t, 3000, got.Bytes)

	_, other := imagetest.Firmware("other", 3000)
	end := imagetest.Record(0, recordEnd, nil)
	first, rest, _ := strings.Cut(good, "\r\n")
	for name, c := range map[string]struct{ text, want string }{
		"empty":        {"", "no end record"},
		"cut off":      {good[:len(good)/2], ""},
		"no end":       {strings.TrimSuffix(good, end), "it is not an Intel HEX file, or it was cut off"},
		"not hex":      {"PK\x03\x04", "line 1: it is not a record"},
		"an ELF":       {"\x7fELF", "line 1: it is not a record"},
		"short record": {":00\n" + good, "line 1: it is not a record"},
		"a bad sum":    {strings.Replace(good, first, first[:len(first)-1]+"z", 1), "line 1: it is not a record"},
		"a bit":        {strings.Replace(first, "0", "1", 1) + "\n" + rest, "line 1: its length or checksum is wrong"},
		"a wrong len":  {":0200000001FD\n" + good, "line 1: its length or checksum"},
		"after":        {good + good, "something follows the end record"},
		"too far": {imagetest.Record(0x7df8, recordData, make([]byte, 16)) + good,
			"it reaches past what an ATmega328P has"},
		"larger chip": {imagetest.Record(0, recordUpper, []byte{0, 1}) + good, "line 1: it is for a larger chip"},
		"segment":     {imagetest.Record(0, recordSegment, []byte{0x10, 0}) + good, "line 1: it is for a larger chip"},
		"not ours":    {other, "it is not firmware of Stillwater's"},
	} {
		_, err := Parse([]byte(c.text))
		require.Error(t, err, name)
		assert.ErrorContains(t, err, c.want, name)
	}
}

// repaired gives each record the checksum that it should have, so that what was changed in it is looked at.
func repaired(text []byte) []byte {
	var out []byte
	for line := range bytes.Lines(text) {
		line = bytes.TrimSpace(line)
		p := make([]byte, len(line)/2)
		if n, err := hex.Decode(p, bytes.TrimPrefix(line, []byte(":"))); err == nil && n > 1 {
			p[n-1] = 0
			for _, b := range p[:n-1] {
				p[n-1] -= b
			}
			line = fmt.Appendf(nil, ":%X", p[:n])
		}
		out = append(append(out, line...), '\n')
	}
	return out
}

// A file that is accepted fits into the chip, has a name that can be shown, and means the same with its records in
// another order.
func FuzzParse(f *testing.F) {
	_, good := imagetest.Firmware("m328p 1.0", 100)
	f.Add([]byte(good))
	f.Add([]byte(":00000001FF"))
	data := func(at int, text string) string { return imagetest.Record(at, recordData, []byte(text)) }
	f.Add([]byte(data(0x10, "m328p \x1b[31m x\x00\x00\x00") + imagetest.Record(0, recordEnd, nil)))
	f.Add([]byte(data(0x10, "m328p 1") + good))
	f.Add([]byte(imagetest.Record(0, recordUpper, []byte{0, 0}) + data(FlashSize-bootSize-4, "m328") + good))
	f.Add([]byte(imagetest.Record(0, 0x11, nil) + good))
	f.Fuzz(func(t *testing.T, text []byte) {
		for _, text := range [][]byte{text, repaired(text)} {
			got, err := Parse(text)
			if err != nil {
				require.Less(t, len(err.Error()), 200)
				continue
			}
			require.True(t, strings.HasPrefix(got.Name, namePrefix), "%+v", got)
			require.False(t, strings.ContainsFunc(got.Name, func(r rune) bool { return r < ' ' || r > '~' }), "%q", got.Name)
			require.True(t, got.Bytes >= len(got.Name) && got.Bytes <= FlashSize-bootSize, "%+v", got)
			var data, end []byte
			for line := range bytes.Lines(text) {
				if line = append(bytes.TrimSpace(line), '\n'); len(line) > 9 && string(line[7:9]) == "01" {
					end = line
				} else {
					data = append(slices.Clone(line), data...)
				}
			}
			again, err := Parse(append(data, end...))
			require.NoError(t, err)
			require.Equal(t, got, again)
		}
	})
}
