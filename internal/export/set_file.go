package export

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"unicode/utf8"

	"stillwater/internal/shot"
	"stillwater/internal/textfile"
)

// ReadSetFile reads a file that WriteFile wrote, and a person may have edited: a set of this kind, "" any. It must have
// all required fields. Errors do not name the file.
func ReadSetFile(path string, kind shot.Kind) (shot.Set, error) {
	const limit = 64 << 10 // bytes; a set has one or two thousand
	text, err := textfile.Read(path, limit)
	if err == nil {
		text, err = textfile.Decode(text)
	}
	if e := new(fs.PathError); errors.As(err, &e) {
		err = e.Err
	}
	if at := textfile.NotUTF8(0); errors.Is(err, textfile.ErrUTF16) || errors.As(err, &at) {
		return shot.Set{}, fmt.Errorf("%w: save it as UTF-8", err)
	}
	if err != nil {
		return shot.Set{}, fmt.Errorf("%w; name a file that \"stillwater record again ID --out FILE\" wrote", err)
	}
	return parseSetFile(text, kind)
}

func parseSetFile(text []byte, kind shot.Kind) (shot.Set, error) {
	unknown, missing, err := shot.CompareFields(string(text))
	if err != nil {
		return shot.Set{}, fmt.Errorf("it is not a set in JSON: %w; write one by \"stillwater record again ID --out FILE\"",
			jsonProblem(text, err))
	}
	if len(unknown) > 0 {
		return shot.Set{}, fmt.Errorf("%s: there is no such field; take it out", strings.Join(unknown, ", "))
	}
	if len(missing) > 0 {
		return shot.Set{}, fmt.Errorf("%s: not there; write them as \"stillwater record again ID --out FILE\" does",
			some(missing))
	}
	set, err := shot.ParseSet(string(text))
	if err != nil { // each field in words of its own
		if a, e := shot.DefaultSet().Adopt(string(text)); e == nil && len(a.Refused) > 0 {
			return set, a.Refused[0]
		}
	}
	if err == nil && kind != "" && set.Kind != kind {
		err = fmt.Errorf("kind: it is the set of a %s; use stillwater %s", set.Kind, set.Kind)
	}
	return set, err
}

// jsonProblem says what keeps a text from being JSON, and where, in words that are not package json's.
func jsonProblem(text []byte, err error) error {
	syntax, kind := new(json.SyntaxError), new(json.UnmarshalTypeError)
	switch {
	case errors.As(err, &kind):
		return fmt.Errorf("it is %s, and a set is written in braces", aJSON(kind.Value))
	case !errors.As(err, &syntax):
		return err
	}
	at, what := syntax.Offset, "unexpected character"
	switch first := json.NewDecoder(bytes.NewReader(text)).Decode(new(json.RawMessage)); {
	case first == nil:
		what = "there is text after the set"
	case errors.Is(first, io.EOF), errors.Is(first, io.ErrUnexpectedEOF):
		at, what = int64(len(text)), "it ends before the set does"
	}
	before := text[:max(min(at, int64(len(text)))-1, 0)]
	line := bytes.Count(before, []byte("\n")) + 1
	column := utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:]) + 1
	return fmt.Errorf("line %d, column %d: %s", line, column, what)
}

// aJSON is a kind of JSON value with its article.
func aJSON(kind string) string {
	kind, _, _ = strings.Cut(kind, " ")
	switch kind {
	case "array":
		return "a list"
	case "bool":
		return "true or false"
	}
	return "a " + kind
}
