package page

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"unicode/utf8"

	"stillwater/internal/control"
)

// maxMessageBytes is the longest message a phone may send. Longer ones up to readLimit are refused with a reason;
// beyond that the connection is closed.
const (
	maxMessageBytes = 4 << 10
	readLimit       = 16 << 10
)

// A phone gets these messages, one JSON object each; web/protocol.d.ts has their types:
//
//	snapshot  the whole snapshot, and which phone this is; the first message
//	changed   the fields of the snapshot that are not as they were sent last; the phone replaces them
//	done      a command was carried out
//	refused   a command, or a message that is not one, was not
//	heartbeat the connection is alive; sent each second
type replyMessage struct {
	Type    string           `json:"type"` // "done" or "refused"
	Re      int64            `json:"re"`
	Refusal *control.Refusal `json:"refusal,omitempty"`
}

var heartbeatMessage = []byte(`{"type":"heartbeat"}`)

// decode reads one message: a command and its number. When it cannot, the number is still returned if there is one, so
// that the phone knows which message was refused.
func decode(data []byte) (n int64, cmd control.Command, refusal *control.Refusal) {
	if len(data) > maxMessageBytes {
		return 0, cmd, malformed("", "the message is longer than %d bytes", maxMessageBytes)
	}
	if !utf8.Valid(data) {
		return 0, cmd, malformed("", "the message is not UTF-8 text")
	}
	given, err := readObject(data, func(name string) any {
		if name == "n" {
			return &n
		}
		if i := slices.Index(commandFields, name); i >= 0 {
			return reflect.ValueOf(&cmd).Elem().Field(i).Addr().Interface()
		}
		return new(json.RawMessage)
	})
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = errors.New("it ends too early")
	}
	if err != nil {
		return 0, cmd, malformed("", "the message is not one JSON object: %v", err)
	}
	if given["n"] != nil || n < 1 {
		return 0, cmd, malformed("n", "the message has no number: it must be a whole number from 1")
	}
	return n, cmd, checkFields(cmd.Type, given)
}

// checkFields says what is wrong with the fields that came with a command, if anything.
func checkFields(command string, given map[string]error) *control.Refusal {
	if err, ok := given["type"]; !ok || err != nil {
		return malformed("type", "the message has no type")
	}
	known, ok := control.Fields(command)
	if !ok {
		return malformed("type", "there is no command %q", command)
	}
	for name, err := range given {
		if name != "n" && name != "type" && name != "epoch" && !slices.Contains(known, name) {
			return malformed(name, "%q takes no field %q", command, name)
		}
		if wrong := new(json.UnmarshalTypeError); errors.As(err, &wrong) {
			return malformed(name, "the value of %q is of the wrong kind: %s", name, wrong.Value)
		}
	}
	return nil
}

// readObject reads a JSON object, each value into its place. It refuses what the standard decoder lets pass: a second
// value after the first, a name given twice, and null. A value of the wrong kind is an error of its name and no other.
func readObject(data []byte, place func(name string) any) (given map[string]error, err error) {
	in := json.NewDecoder(bytes.NewReader(data))
	if open, err := in.Token(); err != nil || open != json.Delim('{') {
		return nil, errors.New("it must start with {")
	}
	given = map[string]error{}
	for in.More() {
		key, err := in.Token()
		if err != nil {
			return nil, err
		}
		name, _ := key.(string)
		if _, twice := given[name]; twice {
			return nil, fmt.Errorf("%q is given twice", name)
		}
		var value json.RawMessage
		if err := in.Decode(&value); err != nil {
			return nil, err
		}
		if given[name] = json.Unmarshal(value, place(name)); string(value) == "null" {
			given[name] = &json.UnmarshalTypeError{Value: "null"}
		}
	}
	if _, err := in.Token(); err != nil {
		return nil, err
	}
	if _, err := in.Token(); err != io.EOF {
		return nil, errors.New("something follows it")
	}
	return given, nil
}

func malformed(field, why string, args ...any) *control.Refusal {
	return &control.Refusal{
		Field: field, Why: "The message was not understood: " + fmt.Sprintf(why, args...) + ".",
		Remedy: "Reload the page; if it happens again, the page and the machine are of different versions.",
	}
}
