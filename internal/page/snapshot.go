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

// picture is a snapshot as JSON, field by field in the order of control.Snapshot. It does not change once made.
type picture []json.RawMessage

// Pictures made. What changes many times in a moment, such as by neighbours who send all that they may, is shown fewer
// times.
const (
	picturesPerSecond = 100
	picturesBurst     = 10
)

// snapshots makes each snapshot JSON once, for all phones.
type snapshots struct {
	mu   sync.Mutex
	of   *control.Snapshot
	last picture
	rate *rate.Limiter
}

func newSnapshots() *snapshots {
	return &snapshots{rate: rate.NewLimiter(picturesPerSecond, picturesBurst)}
}

// picture is the JSON of a snapshot, or of a newer one if there is that already; or how long to wait and ask again. A
// field that is as it was in the one before is the same bytes in the same place.
func (s *snapshots) picture(snap *control.Snapshot) (p picture, wait time.Duration, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.of != nil && (s.of == snap || snap.Sent.Before(s.of.Sent)) {
		return s.last, 0, nil
	}
	turn := s.rate.Reserve()
	if wait := turn.Delay(); wait > 0 {
		turn.Cancel()
		return nil, wait, nil
	}
	fields := reflect.ValueOf(snap).Elem()
	p = make(picture, fields.NumField())
	for i := range p {
		data, err := json.Marshal(fields.Field(i).Interface())
		if err != nil {
			return nil, 0, fmt.Errorf("encode %s of the snapshot: %w", snapshotFields[i], err)
		}
		if p[i] = data; s.last != nil && bytes.Equal(data, s.last[i]) {
			p[i] = s.last[i]
		}
	}
	s.of, s.last = snap, p
	return p, 0, nil
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
