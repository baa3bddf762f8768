package intake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"stillwater/internal/record"
)

// Marks is the part of the record that keeps what people mark in a session's frames: a JSON object, by name. It stays
// when the copies are deleted, or their folder is.
type Marks interface {
	Marks(ctx context.Context, session int64) (json []byte, _ error) // record.ErrNotFound: there are none
	KeepMarks(ctx context.Context, session int64, json []byte) error
	Marked(context.Context) (sessions []int64, _ error)
}

// Names of marks.
const (
	referenceMark  = "reference"
	pairsMark      = "pairs"      // what people said of frames, see pairs
	unreadableMark = "unreadable" // all that was there, as text
	asideSuffix    = " unreadable"
)

// errUnreadable means that something was kept that is no mark.
var errUnreadable = errors.New("what is on record of it is damaged")

// marks reads all of a session's. With errUnreadable it is what to keep instead.
func (i *Intake) marks(session int64) (all map[string]json.RawMessage, _ error) {
	text, err := i.o.Journal.Marks(context.Background(), session)
	if errors.Is(err, record.ErrNotFound) {
		return map[string]json.RawMessage{}, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(text, &all); err != nil || all == nil {
		aside, _ := json.Marshal(string(text)) // any text can be
		return map[string]json.RawMessage{unreadableMark: aside}, errUnreadable
	}
	return all, nil
}

// readMark reads one; its zero value if there is none.
func readMark[T any](i *Intake, session int64, name string) (mark T, _ error) {
	all, err := i.marks(session)
	if err != nil || all[name] == nil {
		return mark, err
	}
	var read T
	if json.Unmarshal(all[name], &read) != nil {
		return mark, errUnreadable
	}
	return read, nil
}

// keepMark keeps one. What it replaces and cannot be read is kept aside. The mutex of notes is held.
func keepMark[T any](i *Intake, session int64, name string, mark T) error {
	all, err := i.marks(session)
	if err != nil && !errors.Is(err, errUnreadable) {
		return err
	}
	if before := all[name]; before != nil && json.Unmarshal(before, new(T)) != nil {
		all[name+asideSuffix] = before
	}
	if all[name], err = json.Marshal(mark); err != nil {
		return err
	}
	text, err := json.Marshal(all)
	if err != nil {
		return err
	}
	return i.o.Journal.KeepMarks(context.Background(), session, text)
}

const pairsUnreadable = "What you said last of these frames cannot be read from the record, so it cannot be " +
	"taken back here. The matches stay as they are: look through them, and match again what is wrong."

func referenceUnreadable(err error) string {
	return fmt.Sprintf("What you marked in these frames (the empty and the black frame, the ruler, the focus spot) "+
		"cannot be read from the record: %v. Choose it again.", err)
}
