// Package history searches and sums up past sessions: which match a query, how often the delay was right, and at which
// delay most often. It is given the records and reads nothing itself.
package history

import (
	"encoding/json"
	"strings"
	"time"

	"stillwater/internal/record"
)

// Query is search terms in lower case; a text matches if it contains all of them, also inside words: "crown" is found
// in "crowns".
type Query []string

// NewQuery returns the terms of texts in any case.
func NewQuery(texts []string) Query {
	words := make(Query, len(texts))
	for i, text := range texts {
		words[i] = strings.ToLower(text)
	}
	return words
}

// SessionText is what a session is found by: its name, date and kinds.
func SessionText(s record.Summary) string {
	texts := []string{s.Name, dateText(s.Started)}
	for _, kind := range SessionKinds(s) {
		texts = append(texts, kindText(kind))
	}
	return strings.ToLower(strings.Join(texts, "\n"))
}

// kindText is a kind as the record has it and as the page calls it.
func kindText(kind string) string {
	words := map[string]string{"drop": "falling drop", "throw": "thrown sheet", "sound": "a sound",
		"drops": "drops by valve"}
	return kind + "\n" + words[kind]
}

// MatchSession reports whether a session has all the words, given its SessionText.
func (q Query) MatchSession(text string) bool {
	for _, word := range q {
		if !strings.Contains(text, word) {
			return false
		}
	}
	return true
}

// MatchShot reports whether a shot has the words: in its note, verdict, marks, file number, frame, date and kind, and
// in the text of its session. Where that has them all already, what was said of the shot must have one. Of a shot
// without a date only what was said is known.
func (q Query) MatchShot(session string, made record.Shot) bool {
	said := strings.ToLower(strings.Join(append(Remarks(made), made.Note, record.FileName(made.File), made.Frame), "\n"))
	if q.MatchSession(session) {
		return q.any(said)
	}
	rest := said + "\n" + session
	if q.MatchSession(rest) {
		return true
	}
	if made.At.IsZero() { // neither its date nor its set is known
		return false
	}
	return q.MatchSession(rest + "\n" + strings.ToLower(dateText(made.At)+"\n"+kindText(KindOf(made.Set))))
}

// Remarks are what a person says of a shot besides the note: the verdict, or that there is none, and the marks.
func Remarks(made record.Shot) []string {
	remarks := []string{string(made.Verdict)}
	if made.Verdict == record.Unjudged {
		remarks[0] = "unjudged"
	}
	return append(remarks, Marks(made)...)
}

// Marks lists a shot's marks in words: that it is a keeper, and what is wrong with its picture.
func Marks(made record.Shot) (marks []string) {
	if made.Star {
		marks = append(marks, "keeper")
	}
	if made.Picture != "" {
		marks = append(marks, made.Picture)
	}
	return marks
}

func (q Query) any(text string) bool {
	for _, word := range q {
		if strings.Contains(text, word) {
			return true
		}
	}
	return false
}

func dateText(at time.Time) string { return at.Format("2006-01-02 15:04\n2 January 2006\nMonday") }

// SessionKinds are the kinds of a session's shots, or that of its set when there is none: the set may have been changed
// to another kind after the last shot. It is none where that cannot be read.
func SessionKinds(s record.Summary) []string {
	if kind := KindOf(s.Set); s.Shots == 0 && len(s.Kinds) == 0 && kind != "" {
		return []string{kind}
	}
	return s.Kinds
}

// KindOf is the kind that a stored set says, "" when that cannot be read.
func KindOf(set string) string {
	var stored struct{ Kind string }
	if json.Unmarshal([]byte(set), &stored) != nil {
		return ""
	}
	return stored.Kind
}
