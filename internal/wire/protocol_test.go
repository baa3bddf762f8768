package wire

import (
	"encoding/hex"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestProtocolDocument holds what can be counted in firmware/PROTOCOL.md to this package.
func TestProtocolDocument(t *testing.T) {
	data, err := os.ReadFile(filepath.Join("..", "..", "firmware", "PROTOCOL.md"))
	require.NoError(t, err)
	document := string(data)

	row := regexp.MustCompile(`(?m)^\| 0x([0-9A-F]{2}) \| ([a-z ]+) \| (.*?) \|(?: (\d+) \|)?`)
	rows := map[Type][]string{}
	for _, m := range row.FindAllStringSubmatch(document, -1) {
		n, err := strconv.ParseUint(m[1], 16, 8)
		require.NoError(t, err)
		rows[Type(n)] = m
	}
	width := map[string]int{"u8": 1, "u16": 2, "u32": 4, "tick": 4, "name": MaxName}
	for _, message := range examples() {
		f := message.Frame(0)
		m := rows[f.Type]
		require.NotNil(t, m, "%s is not in the document", f.Type)
		assert.Equal(t, f.Type.String(), m[2])
		size := 0
		for field := range strings.SplitSeq(strings.Replace(m[3], "data 1..56 bytes", "data u8", 1), ", ") {
			words := strings.Fields(field)
			size += width[words[len(words)-1]]
		}
		assert.EqualValues(t, f.N, size, "the fields of %s: %s", f.Type, m[3])
		if m[4] != "" {
			assert.Equal(t, strconv.Itoa(int(f.N)), m[4], "the size of %s", f.Type)
		}
	}
	assert.Len(t, rows, len(examples()), "the document has a message that this package does not know")

	reasonRow := regexp.MustCompile(`(?m)^\| (\d+) \| [a-zA-Z ]+ \| [^|]* \| [^|]*\|$`)
	assert.Len(t, reasonRow.FindAllString(document, -1), int(reasons), "reasons")

	frames := regexp.MustCompile(`(?m)^    ((?:[0-9a-f]{2} )+00)$`).FindAllStringSubmatch(document, -1)
	assert.Len(t, frames, 2)
	for _, m := range frames {
		encoded, err := hex.DecodeString(strings.ReplaceAll(m[1], " ", ""))
		require.NoError(t, err)
		good, bad := decode(encoded)
		assert.Len(t, good, 1, m[1])
		assert.Zero(t, bad)
	}
	disarm := Disarm{}.Frame(12)
	assert.Contains(t, document, "has the CRC 0x"+strings.ToUpper(strconv.FormatUint(uint64(CRC([]byte{byte(disarm.Type),
		disarm.Seq})), 16)))
}
