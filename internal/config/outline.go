package config

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"sort"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// The decoder says where a value of the wrong type stands, but not where a key stands whose value is wrong for another
// reason. Its parser does. (BurntSushi/toml, the other common library, keeps the places of keys to itself, as of
// November 2026.) The parser is called unstable because it may change with a minor version: go.mod fixes the version,
// a change would not compile, and only this file and passages.go use it.

// place is a line and column, from 1.
type place struct{ line, column int }

// outline finds where each known table and key of a document stands, by names like "listen", "board",
// "board.output[1]" and "board.output[1].pin", and fails those that are not known. The text has been decoded before, so
// it parses.
func (c *checker) outline(text []byte) {
	var p unstable.Parser
	p.Reset(text)
	root := reflect.TypeFor[file]()
	o := outliner{checker: c, starts: lineStarts(text), p: &p, count: map[string]int{}, table: &table{"", "", root},
		known: map[reflect.Type]tableKeys{}}
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.ArrayTable, unstable.Table:
			o.table = o.resolve(&table{"", "", root}, e)
			if o.table != nil && e.Kind == unstable.ArrayTable {
				name := o.table.name
				o.table.name = fmt.Sprintf("%s[%d]", name, o.count[name])
				o.count[name]++
			}
			o.recordPlace(o.table, e)
		case unstable.KeyValue:
			o.keyValue(o.table, e)
		}
	}
}

// outliner is the state of a walk through a document.
type outliner struct {
	*checker
	starts []int // of the lines
	p      *unstable.Parser
	count  map[string]int // of each list's tables
	table  *table         // that keys belong to; nil: to one that is not known
	known  map[reflect.Type]tableKeys
}

// table is a known table or key: its name with the places in lists and without, and what it may hold.
type table struct {
	name, plain string
	valueType   reflect.Type
}

// resolve follows the dotted key of an expression from a table inwards; nil if something on the way is not known, which
// is reported once.
func (o *outliner) resolve(from *table, e *unstable.Node) *table {
	for it := e.Key(); it.Next(); {
		key := string(it.Node().Data)
		keys := o.keysOf(from.valueType)
		i, known := slices.BinarySearch(keys.names, key)
		if !known {
			if keys.names != nil { // else the decoder has reported it: there is a value where a table is wanted
				o.failAt(o.place(it.Node()), "unknown key "+quote(join(from.plain, key)),
					"known here: "+strings.Join(keys.names, ", "))
			}
			return nil
		}
		from = &table{join(from.name, key), join(from.plain, key), keys.holds[i]}
	}
	return from
}

// recordPlace records where a table or key is.
func (o *outliner) recordPlace(t *table, e *unstable.Node) {
	if it := e.Key(); t != nil && it.Next() {
		o.at[t.name] = o.place(it.Node())
	}
}

func (o *outliner) keyValue(from *table, e *unstable.Node) {
	if from == nil {
		return
	}
	key := o.resolve(from, e)
	o.recordPlace(key, e)
	if key != nil {
		o.value(*key, e.Value())
	}
}

// value looks at the keys inside a value: of tables and lists written in one line.
func (o *outliner) value(t table, value *unstable.Node) {
	children := value.Children()
	switch value.Kind {
	case unstable.InlineTable:
		for children.Next() {
			o.keyValue(&t, children.Node())
		}
	case unstable.Array:
		if t.valueType.Kind() != reflect.Slice {
			return
		}
		start := o.at[t.name]
		for i := 0; children.Next(); i++ {
			one := table{fmt.Sprintf("%s[%d]", t.name, i), t.plain, t.valueType.Elem()}
			o.at[one.name] = start
			o.value(one, children.Node())
		}
	}
}

// lineStarts are the offsets at which lines begin.
func lineStarts(text []byte) []int {
	starts, at := []int{0}, 0
	for line := range bytes.Lines(text) {
		at += len(line)
		starts = append(starts, at)
	}
	return starts
}

func (o *outliner) place(n *unstable.Node) place {
	at := int(n.Raw.Offset)
	line := sort.SearchInts(o.starts, at+1)
	return place{line, at - o.starts[line-1] + 1}
}

// tableKeys are the keys of a table, sorted, with what each holds; none if it is no table.
type tableKeys struct {
	names []string
	holds []reflect.Type
}

// keysOf lists the keys of a table: once, since a document has many keys in few kinds of table.
func (o *outliner) keysOf(t reflect.Type) tableKeys {
	for t.Kind() == reflect.Slice || t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	keys, is := o.known[t]
	if is || t.Kind() != reflect.Struct {
		return keys
	}
	fields := slices.DeleteFunc(reflect.VisibleFields(t), func(f reflect.StructField) bool {
		return f.Tag.Get("toml") == "" // embedded
	})
	slices.SortFunc(fields, func(a, b reflect.StructField) int {
		return strings.Compare(a.Tag.Get("toml"), b.Tag.Get("toml"))
	})
	for _, f := range fields {
		keys.names, keys.holds = append(keys.names, f.Tag.Get("toml")), append(keys.holds, f.Type)
	}
	o.known[t] = keys
	return keys
}

func join(table, key string) string {
	if table == "" {
		return key
	}
	return table + "." + key
}
