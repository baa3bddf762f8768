package config

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"

	"stillwater/internal/textfile"
)

// Error is one thing wrong with a configuration: where, what, and what to write.
type Error struct {
	Path         string
	Line, Column int // from 1; 0: not at one place
	What, Remedy string
	Err          error // the cause, where there is one
}

// Error is "file:line:column: what; remedy".
func (e *Error) Error() string {
	where := e.Path
	if e.Line > 0 {
		where = fmt.Sprintf("%s:%d:%d", e.Path, e.Line, e.Column)
	}
	return where + ": " + e.What + "; " + e.Remedy
}

// Unwrap is the cause.
func (e *Error) Unwrap() error { return e.Err }

// maxErrors is how many errors are reported at once.
const maxErrors = 20

// checker turns a file into a Config and gathers what is wrong with it.
type checker struct {
	path string
	at   map[string]place // of each known table and key
	errs []error          // the first of them
	more int              // how many were not kept
}

// fail adds an error at the first of keys that stands in the file.
func (c *checker) fail(what, remedy string, keys ...string) {
	var at place
	for _, key := range keys {
		var ok bool
		if at, ok = c.at[key]; !ok {
			at, ok = c.at[strings.ReplaceAll(key, "[0]", "")] // [board.input] stands for a list of one
		}
		if ok {
			break
		}
	}
	c.failAt(at, what, remedy)
}

func (c *checker) failAt(at place, what, remedy string) {
	if len(c.errs) == maxErrors {
		c.more++
		return
	}
	c.errs = append(c.errs, &Error{Path: c.path, Line: at.line, Column: at.column, What: what, Remedy: remedy})
}

// err joins all that failed, nil if nothing did.
func (c *checker) err() error {
	errs := c.errs
	if c.more > 0 {
		errs = append(errs, &Error{Path: c.path, What: fmt.Sprintf("%d more errors follow", c.more),
			Remedy: "correct these first"})
	}
	return errors.Join(errs...)
}

// maxQuoted is how much of what a file says an error repeats, in bytes.
const maxQuoted = 60

// quote is what a file says, for an error.
func quote(text string) string {
	if len(text) <= maxQuoted {
		return strconv.Quote(text)
	}
	end := maxQuoted
	for end > 0 && !utf8.RuneStart(text[end]) {
		end--
	}
	return strconv.Quote(text[:end] + "...")
}

// encodingError says that a text is no UTF-8.
func encodingError(path string, text []byte, err error) *Error {
	e := &Error{Path: path, What: err.Error(), Remedy: "save it as UTF-8", Err: err}
	var at textfile.NotUTF8
	if errors.As(err, &at) {
		before := bytes.TrimPrefix(text[:at], []byte("\ufeff"))
		e.Line = bytes.Count(before, []byte("\n")) + 1
		e.Column = len(before) - bytes.LastIndexByte(before, '\n')
	}
	return e
}

// decodeError says what the decoder found wrong with a text in the words of Error.
func decodeError(path string, text []byte, err error) error {
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return &Error{Path: path, What: err.Error(), Remedy: "correct the file", Err: err}
	}
	line, column := de.Position()
	e := &Error{Path: path, Line: line, Column: column, Err: err, What: strings.TrimPrefix(de.Error(), "toml: "),
		Remedy: `the file is TOML: key = value lines, texts in "quotes", [tables] and [[lists of tables]]`}
	if len(e.What) > 2*maxQuoted {
		e.What = "it cannot be read from here on"
	}
	key := de.Key()
	if len(key) == 0 {
		return e
	}
	if isSecond(text, line, column) {
		e.What, e.Remedy = quote(strings.Join(key, "."))+" is written twice", "keep one of the two"
	} else if example := exampleOf(strings.Join(key, ".")); example != "" {
		e.What, e.Remedy = strings.Join(key, ".")+" has a value of the wrong kind", "write it as "+example
	}
	return e
}

// isSecond reports whether the decoder's error at a place is that the key was there before: no kind of value is wrong
// for an empty interface.
func isSecond(text []byte, line, column int) bool {
	var de *toml.DecodeError
	if !errors.As(toml.Unmarshal(text, new(any)), &de) {
		return false
	}
	otherLine, otherColumn := de.Position()
	return otherLine == line && otherColumn == column
}
