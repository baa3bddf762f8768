package export_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/export"
	"stillwater/internal/shot"
)

// What is wrong with a set's file is said with its field or its place, and with what to do, in no programmer's words.
func TestSetFileSaysWhatIsWrong(t *testing.T) {
	whole, err := json.MarshalIndent(shot.DefaultSet(), "", "  ")
	require.NoError(t, err)
	with := func(old, new string) string {
		require.Contains(t, string(whole), old)
		return strings.Replace(string(whole), old, new, 1)
	}
	height := `"height": "` + shot.DefaultSet().Drop.Height.String() + `"`
	for name, c := range map[string]struct{ text, want string }{
		"ends early":        {string(whole[:len(whole)/2]), "it ends before the set does"},
		"more after it":     {string(whole) + " x", "there is text after the set"},
		"a comma too few":   {"{\n  \"kind\": \"throw\"\n  \"a\": 1}", "line 3, column 3: unexpected character"},
		"a list":            {"[]", "it is a list, and a set is written in braces"},
		"a number":          {"7", "it is a number, and a set is written in braces"},
		"empty":             {"", "line 1, column 1: it ends before the set does"},
		"UTF-16":            {"\xff\xfe{\x00}\x00", "it is UTF-16: save it as UTF-8"},
		"Latin-1":           {"{\"kind\": \"Tr\xf6pfchen\"}", "it is not UTF-8: save it as UTF-8"},
		"number for length": {with(height, `"height": 5`), `drop.height: "5" is not a length`},
		"list for length":   {with(height, `"height": [1]`), "drop.height: "},
		"nonsense":          {with(height, `"height": "tall"`), `drop.height: "tall" is not a length`},
		"out of range":      {with(height, `"height": "9 m"`), "drop.height: 9 m is more than 5 m; use 1 cm to 5 m"},
	} {
		file := filepath.Join(t.TempDir(), "set.json")
		require.NoError(t, os.WriteFile(file, []byte(c.text), 0o600))
		_, err := export.ReadSetFile(file, "")
		if assert.ErrorContains(t, err, c.want, name) {
			assert.NotContains(t, err.Error(), "json:", name)
			assert.NotContains(t, err.Error(), "Go ", name)
		}
	}
}
