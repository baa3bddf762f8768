package page

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"stillwater/internal/control"
)

// encodedSnapshot is a snapshot as JSON, field by field in the order of control.Snapshot. It does not change once made.
type encodedSnapshot []json.RawMessage

// How many snapshots are encoded: of many in a short time, such as while phones send as much as they may, only some.
const (
	snapshotsPerSecond = 100
	snapshotsBurst     = 10
)

// snapshots encodes each snapshot once, for all phones.
type snapshots struct {
	mu     sync.Mutex
	source *control.Snapshot
	last   encodedSnapshot
	rate   *rate.Limiter
}

func newSnapshots() *snapshots {
	return &snapshots{rate: rate.NewLimiter(snapshotsPerSecond, snapshotsBurst)}
}

// encode returns the JSON of a snapshot, or of a newer one that is encoded already; or how long to wait before asking
// again. A field equal to that of the last snapshot shares its bytes.
func (s *snapshots) encode(snap *control.Snapshot) (p encodedSnapshot, wait time.Duration, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.source != nil && (s.source == snap || snap.Sent.Before(s.source.Sent)) {
		return s.last, 0, nil
	}
	turn := s.rate.Reserve()
	if wait := turn.Delay(); wait > 0 {
		turn.Cancel()
		return nil, wait, nil
	}
	fields := reflect.ValueOf(snap).Elem()
	p = make(encodedSnapshot, fields.NumField())
	for i := range p {
		data, err := json.Marshal(fields.Field(i).Interface())
		if err != nil {
			return nil, 0, fmt.Errorf("encode %s of the snapshot: %w", snapshotFields[i], err)
		}
		if p[i] = data; s.last != nil && bytes.Equal(data, s.last[i]) {
			p[i] = s.last[i]
		}
	}
	s.source, s.last = snap, p
	return p, 0, nil
}

// fullMessage is the message with all of a snapshot.
func (p encodedSnapshot) fullMessage(you string) ([]byte, error) {
	name, err := json.Marshal(you)
	if err != nil {
		return nil, fmt.Errorf("encode the phone's name: %w", err)
	}
	message := append([]byte(`{"type":"snapshot","you":`), name...)
	return p.appendFields(append(message, `,"snapshot":{`...), nil), nil
}

// changeMessage is the message with the fields that are not as in the snapshot before.
func (p encodedSnapshot) changeMessage(before encodedSnapshot) []byte {
	return p.appendFields([]byte(`{"type":"changed","snapshot":{`), before)
}

func (p encodedSnapshot) appendFields(message []byte, before encodedSnapshot) []byte {
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
