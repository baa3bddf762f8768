package page

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"sync"

	"stillwater/internal/control"
)

// picture is a snapshot as JSON, field by field in the order of control.Snapshot. It does not change once made.
type picture []json.RawMessage

// snapshots makes each snapshot JSON once, for all phones.
type snapshots struct {
	mu   sync.Mutex
	of   *control.Snapshot
	last picture
}

// picture is the JSON of a snapshot. A field that is as it was in the one before is the same bytes in the same place.
func (s *snapshots) picture(snap *control.Snapshot) (picture, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.of == snap {
		return s.last, nil
	}
	fields := reflect.ValueOf(snap).Elem()
	p := make(picture, fields.NumField())
	for i := range p {
		data, err := json.Marshal(fields.Field(i).Interface())
		if err != nil {
			return nil, fmt.Errorf("encode %s of the snapshot: %w", snapshotFields[i], err)
		}
		if p[i] = data; s.last != nil && bytes.Equal(data, s.last[i]) {
			p[i] = s.last[i]
		}
	}
	s.of, s.last = snap, p
	return p, nil
}

// whole is the message with all of a snapshot.
func (p picture) whole(you string) ([]byte, error) {
	name, err := json.Marshal(you)
	if err != nil {
		return nil, fmt.Errorf("encode the phone's name: %w", err)
	}
	message := append([]byte(`{"type":"snapshot","you":`), name...)
	return p.appendFields(append(message, `,"snapshot":{`...), nil), nil
}

// changed is the message with the fields that are not as in the snapshot before.
func (p picture) changed(before picture) []byte {
	return p.appendFields([]byte(`{"type":"changed","snapshot":{`), before)
}

func (p picture) appendFields(message []byte, before picture) []byte {
	first := true
	for i, data := range p {
		if before != nil && bytes.Equal(data, before[i]) {
			continue
		}
		if !first {
			message = append(message, ',')
		}
		first = false
		message = fmt.Appendf(message, "%q:", snapshotFields[i])
		message = append(message, data...)
	}
	return append(message, "}}"...)
}

// snapshotFields and commandFields are names in JSON, in the order of the fields.
var (
	snapshotFields = namesInJSON(reflect.TypeFor[control.Snapshot]())
	commandFields  = namesInJSON(reflect.TypeFor[control.Command]())
)

func namesInJSON(of reflect.Type) (names []string) {
	for i := range of.NumField() {
		name, _, _ := strings.Cut(of.Field(i).Tag.Get("json"), ",")
		names = append(names, name)
	}
	return names
}
