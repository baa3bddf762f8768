package page

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"stillwater/internal/control"
)

// messageMax is the longest message a phone may send. Longer ones up to messageHard are refused with a reason; beyond
// that the connection is closed.
const (
	messageMax  = 4 << 10
	messageHard = 64 << 10
)

// Messages to the phone.
type (
	snapshotMessage struct {
		Type     string            `json:"type"` // "snapshot"
		You      string            `json:"you"`
		Snapshot *control.Snapshot `json:"snapshot"`
	}
	replyMessage struct {
		Type    string           `json:"type"` // "done" or "refused"
		Re      int64            `json:"re"`
		Refusal *control.Refusal `json:"refusal,omitempty"`
	}
)

var beatMessage = []byte(`{"type":"beat"}`)

// decode reads one message: a command and its number. When it cannot, the number is still returned if there is one, so
// that the phone knows which message was refused.
func decode(data []byte) (n int64, cmd control.Command, refusal *control.Refusal) {
	if len(data) > messageMax {
		return 0, cmd, malformed("", "the message is longer than %d bytes", messageMax)
	}
	if !utf8.Valid(data) {
		return 0, cmd, malformed("", "the message is not UTF-8 text")
	}
	fields, err := object(data)
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = errors.New("it ends too early")
	}
	if err != nil {
		return 0, cmd, malformed("", "the message is not one JSON object: %v", err)
	}
	if err := json.Unmarshal(fields["n"], &n); err != nil || n < 1 {
		return 0, cmd, malformed("n", "the message has no number, a whole number from 1")
	}
	if err := json.Unmarshal(fields["type"], &cmd.Type); err != nil {
		return n, cmd, malformed("type", "the message has no type")
	}
	known, ok := control.Fields(cmd.Type)
	if !ok {
		return n, cmd, malformed("type", "there is no command %q", cmd.Type)
	}
	for name := range fields {
		if name != "n" && name != "type" && !slices.Contains(known, name) {
			return n, cmd, malformed(name, "%q takes no field %q", cmd.Type, name)
		}
	}
	if err := json.Unmarshal(data, &cmd); err != nil {
		var wrong *json.UnmarshalTypeError
		if errors.As(err, &wrong) {
			field := wrong.Field[strings.LastIndex(wrong.Field, ".")+1:]
			return n, cmd, malformed(field, "the value of %q is of the wrong kind: %s", field, wrong.Value)
		}
		return n, cmd, malformed("", "%v", err)
	}
	return n, cmd, nil
}

// object takes a JSON object apart. It refuses what the standard decoder lets pass: a second value after the first, and
// a name given twice.
func object(data []byte) (map[string]json.RawMessage, error) {
	in := json.NewDecoder(bytes.NewReader(data))
	if open, err := in.Token(); err != nil || open != json.Delim('{') {
		return nil, errors.New("it must start with {")
	}
	fields := map[string]json.RawMessage{}
	for in.More() {
		key, err := in.Token()
		if err != nil {
			return nil, err
		}
		name, _ := key.(string)
		if _, twice := fields[name]; twice {
			return nil, fmt.Errorf("%q is given twice", name)
		}
		var value json.RawMessage
		if err := in.Decode(&value); err != nil {
			return nil, err
		}
		fields[name] = value
	}
	if _, err := in.Token(); err != nil {
		return nil, err
	}
	if _, err := in.Token(); err != io.EOF {
		return nil, errors.New("something follows it")
	}
	return fields, nil
}

func malformed(field, why string, args ...any) *control.Refusal {
	return &control.Refusal{
		Field: field, Why: "The message was not understood: " + fmt.Sprintf(why, args...) + ".",
		Remedy: "Reload the page; if it happens again, the page and the machine are of different versions.",
	}
}
