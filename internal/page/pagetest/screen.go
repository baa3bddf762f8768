// Package pagetest decodes the messages of package page as a phone does, for tests that play one.
package pagetest

import (
	"encoding/json"
	"errors"
	"fmt"

	"stillwater/internal/control"
)

// Message is one message to a phone. Snapshot is all that the phone knows after it; nil in messages that say nothing of
// the snapshot.
type Message struct {
	Type     string
	You      string
	Snapshot *control.Snapshot
	Re       int64
	Refusal  *control.Refusal
}

// Screen is what one connection of a phone was sent so far. The zero value is a new connection's.
type Screen struct{ fields map[string]json.RawMessage }

// Take reads a message and applies what it changes.
func (s *Screen) Take(data []byte) (Message, error) {
	var m struct {
		Type     string                     `json:"type"`
		You      string                     `json:"you"`
		Snapshot map[string]json.RawMessage `json:"snapshot"`
		Re       int64                      `json:"re"`
		Refusal  *control.Refusal           `json:"refusal"`
	}
	if err := json.Unmarshal(data, &m); err != nil {
		return Message{}, fmt.Errorf("the message %.80q: %w", data, err)
	}
	message := Message{Type: m.Type, You: m.You, Re: m.Re, Refusal: m.Refusal}
	switch m.Type {
	case "snapshot":
		s.fields = m.Snapshot
	case "changed":
		if s.fields == nil {
			return message, errors.New("something changed in a snapshot that was never sent")
		}
		for name, value := range m.Snapshot {
			if _, known := s.fields[name]; !known {
				return message, fmt.Errorf("%q changed, which the snapshot has not", name)
			}
			s.fields[name] = value
		}
	default:
		return message, nil
	}
	whole, err := s.JSON()
	if err != nil {
		return message, err
	}
	message.Snapshot = new(control.Snapshot)
	if err := json.Unmarshal(whole, message.Snapshot); err != nil {
		return message, fmt.Errorf("the snapshot: %w", err)
	}
	return message, nil
}

// JSON is the whole snapshot as the phone has it.
func (s *Screen) JSON() ([]byte, error) {
	whole, err := json.Marshal(s.fields)
	if err != nil {
		return nil, fmt.Errorf("the snapshot: %w", err)
	}
	return whole, nil
}
