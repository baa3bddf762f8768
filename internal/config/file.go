package config

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
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

// ErrNotFound says that no configuration was found in any of the usual places.
var ErrNotFound = errors.New("no stillwater.toml")

// Places lists where a configuration is looked for, in order, when none is named: the working directory, the user's
// configuration folder, the machine's.
func Places() []string {
	places := []string{"stillwater.toml"}
	if dir, err := os.UserConfigDir(); err == nil {
		places = append(places, filepath.Join(dir, "stillwater", "stillwater.toml"))
	}
	return append(places, "/etc/stillwater/stillwater.toml")
}

// Find reads the named file, or, when path is empty, the first of Places that exists. Without any it returns Default
// and an error that is ErrNotFound.
func Find(path string) (Config, error) {
	if path != "" {
		return Load(path)
	}
	for _, place := range Places() {
		if _, err := os.Stat(place); err == nil {
			return Load(place)
		}
	}
	return Default(), fmt.Errorf("%w in %s", ErrNotFound, strings.Join(Places(), ", "))
}

// Load reads and checks one file. The error joins one *Error for each thing found wrong.
func Load(path string) (Config, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return Config{}, &Error{Path: path, What: fmt.Sprintf("cannot be read: %v", cause(err)),
			Remedy: "name a readable file, or leave --config out to run the simulated rig", Err: err}
	}
	return Parse(path, text)
}

func cause(err error) error {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// Parse reads and checks a configuration's text; path is for the errors. The error joins one *Error for each thing
// found wrong.
func Parse(path string, text []byte) (Config, error) {
	var f file
	dec := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields()
	if err := dec.Decode(&f); err != nil {
		return Config{}, decodeError(path, err)
	}
	c := checker{path: path, at: positions(text)}
	config := c.config(f)
	config.Path, config.Sum = path, fmt.Sprintf("%x", sha256.Sum256(text))
	if err := errors.Join(c.errs...); err != nil {
		return Config{}, err
	}
	return config, nil
}

// file is the text's shape. Pointers tell "not written" from "written as nothing".
type file struct {
	Name    *string     `toml:"name"`
	Listen  *string     `toml:"listen"`
	Journal *string     `toml:"journal"`
	Board   fileBoard   `toml:"board"`
	Control fileControl `toml:"control"`
}

type fileBoard struct {
	Kind      *string      `toml:"kind"`
	Socket    *string      `toml:"socket"`
	Drive     *string      `toml:"drive"`
	Priority  *int64       `toml:"priority"`
	CPU       *int64       `toml:"cpu"`
	Heartbeat *fileLine    `toml:"heartbeat"`
	Port      *string      `toml:"port"`
	Baud      *int64       `toml:"baud"`
	Late      *string      `toml:"late"`
	HoldOff   *string      `toml:"hold_off"`
	Inputs    []fileInput  `toml:"input"`
	Outputs   []fileOutput `toml:"output"`
}

type fileControl struct {
	Grace  *string `toml:"grace"`
	ArmFor *string `toml:"arm_for"`
}

type fileLine struct {
	Chip *string `toml:"chip"`
	Line *int64  `toml:"line"`
	Pin  *string `toml:"pin"`
}

type fileInput struct {
	Name *string `toml:"name"`
	Role *string `toml:"role"`
	fileLine
	Active   *string `toml:"active"`
	Bias     *string `toml:"bias"`
	Debounce *string `toml:"debounce"`
	Delay    *string `toml:"delay"`
}

type fileOutput struct {
	Name *string `toml:"name"`
	Kind *string `toml:"kind"`
	fileLine
	Safe      *string `toml:"safe"`
	LongestOn *string `toml:"longest_on"`
	Delay     *string `toml:"delay"`
}

// forms shows how each key is written, for the errors.
var forms = map[string]string{
	"listen":     `listen = ":8737"`,
	"journal":    `journal = "/var/lib/stillwater/journal.db"`,
	"board":      `[board]`,
	"control":    `[control]`,
	"input":      `[[board.input]]`,
	"output":     `[[board.output]]`,
	"socket":     `socket = "/run/stillwater/board.sock"`,
	"drive":      `drive = "kernel"`,
	"priority":   `priority = 60`,
	"cpu":        `cpu = 3`,
	"heartbeat":  `[board.heartbeat]`,
	"port":       `port = "/dev/serial/by-id/..."`,
	"baud":       `baud = 250000`,
	"late":       `late = "1 ms"`,
	"hold_off":   `hold_off = "5 ms"`,
	"grace":      `grace = "10 s"`,
	"arm_for":    `arm_for = "10 min"`,
	"name":       `name = "stillwater" for the page, or "flash" for an output`,
	"role":       `role = "beam"`,
	"kind":       `kind = "gpio" for the board, or "flash" for an output`,
	"chip":       `chip = "gpiochip0"`,
	"line":       `line = 17`,
	"pin":        `pin = "GPIO17"`,
	"active":     `active = "low"`,
	"bias":       `bias = "pull-up"`,
	"debounce":   `debounce = "5 ms"`,
	"safe":       `safe = "low"`,
	"longest_on": `longest_on = "10 ms"`,
	"delay":      `delay = "50 us"`,
}

// decodeError says what the decoder found in the words of Error.
func decodeError(path string, err error) error {
	var missing *toml.StrictMissingError
	if errors.As(err, &missing) {
		var errs []error
		for i := range missing.Errors {
			errs = append(errs, unknownKey(path, &missing.Errors[i]))
		}
		return errors.Join(errs...)
	}
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return &Error{Path: path, What: err.Error(), Remedy: "correct the file", Err: err}
	}
	line, column := de.Position()
	e := &Error{Path: path, Line: line, Column: column, What: strings.TrimPrefix(de.Error(), "toml: "), Err: err,
		Remedy: `the file is TOML: key = value lines, texts in "quotes", [tables] and [[lists of tables]]`}
	if key := de.Key(); len(key) > 0 && strings.Contains(de.Error(), "already") {
		e.What, e.Remedy = fmt.Sprintf("%q is written twice", strings.Join(key, ".")), "keep one of the two"
	} else if len(key) > 0 {
		last := key[len(key)-1]
		if form, ok := forms[last]; ok {
			e.What, e.Remedy = strings.Join(key, ".")+" has a value of the wrong kind", "write it as "+form
		}
	}
	return e
}

func unknownKey(path string, de *toml.DecodeError) *Error {
	line, column := de.Position()
	key := de.Key()
	known := keysOf(reflect.TypeFor[file](), key[:len(key)-1])
	return &Error{Path: path, Line: line, Column: column, Err: de,
		What:   fmt.Sprintf("unknown key %q", strings.Join(key, ".")),
		Remedy: "known here: " + strings.Join(known, ", ")}
}

// keysOf lists the keys of the table at path.
func keysOf(t reflect.Type, path []string) []string {
	for t.Kind() == reflect.Slice || t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return nil
	}
	var keys []string
	for _, f := range reflect.VisibleFields(t) {
		tag := f.Tag.Get("toml")
		if tag == "" {
			continue
		}
		if len(path) > 0 && tag == path[0] {
			return keysOf(f.Type, path[1:])
		}
		keys = append(keys, tag)
	}
	slices.Sort(keys)
	return keys
}

// place is a line and column, from 1.
type place struct{ line, column int }

// positions maps each table and key of a document to where it stands: "listen", "board", "board.output[1]",
// "board.output[1].pin". The text has been decoded before, so it parses.
func positions(text []byte) map[string]place {
	at := map[string]place{}
	count := map[string]int{}
	table := ""
	var p unstable.Parser
	p.Reset(text)
	for p.NextExpression() {
		e := p.Expression()
		name, start := keyOf(&p, e)
		switch e.Kind {
		case unstable.ArrayTable:
			table = fmt.Sprintf("%s[%d]", name, count[name])
			count[name]++
			at[table] = start
		case unstable.Table:
			table = name
			at[table] = start
		case unstable.KeyValue:
			note(&p, at, join(table, name), start, e.Value())
		}
	}
	return at
}

// note writes down a key and, for tables and lists written in one line, the keys inside its value.
func note(p *unstable.Parser, at map[string]place, name string, start place, value *unstable.Node) {
	at[name] = start
	children := value.Children()
	switch value.Kind {
	case unstable.InlineTable:
		for children.Next() {
			inner, innerStart := keyOf(p, children.Node())
			note(p, at, join(name, inner), innerStart, children.Node().Value())
		}
	case unstable.Array:
		for i := 0; children.Next(); i++ {
			note(p, at, fmt.Sprintf("%s[%d]", name, i), start, children.Node())
		}
	}
}

func join(table, key string) string {
	if table == "" {
		return key
	}
	return table + "." + key
}

// keyOf is the dotted key of an expression and where it starts.
func keyOf(p *unstable.Parser, e *unstable.Node) (string, place) {
	var parts []string
	var start place
	for it := e.Key(); it.Next(); {
		if parts == nil {
			s := p.Shape(it.Node().Raw).Start
			start = place{s.Line, s.Column}
		}
		parts = append(parts, string(it.Node().Data))
	}
	return strings.Join(parts, "."), start
}
