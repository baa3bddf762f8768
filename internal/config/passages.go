package config

import (
	"fmt"
	"iter"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// Passage is a table's header, or a key with its value: what it is, and where it stands in its text, so that an editor
// can change it and leave the rest alone.
type Passage struct {
	Name       string // "board.kind", "board.input[1]", "board.input[1].pin"
	Table      bool   // a header: what follows belongs to it until the next one
	Inline     bool   // within a table or a list that is written as a value
	Start, End int    // bytes of the header or of the key with its value
	Value      [2]int // bytes of the value; both 0 where it is a table or a list
	Text       string // of the value, where that is a text
}

// Passages lists them in their order; none of a text that is no TOML.
func Passages(text []byte) (all []Passage) {
	var p unstable.Parser
	p.Reset(text)
	count, table := map[string]int{}, ""
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			if table = keysJoined(e); e.Kind == unstable.ArrayTable {
				count[table]++
				table = fmt.Sprintf("%s[%d]", table, count[table]-1)
			}
			all = append(all, header(text, table, e))
		case unstable.KeyValue:
			all = append(all, keyPassages(table, e, false)...)
		}
	}
	if p.Error() != nil {
		return nil
	}
	return all
}

// header is the passage of a table's header, whose brackets are around its keys.
func header(text []byte, name string, e *unstable.Node) Passage {
	first, last := 0, 0
	for key := range keys(e) {
		if last == 0 {
			first = int(key.Raw.Offset)
		}
		last = int(key.Raw.Offset + key.Raw.Length)
	}
	for first > 0 && text[first-1] != '\n' {
		first--
	}
	for last < len(text) && text[last] != ']' {
		last++
	}
	for last < len(text) && text[last] == ']' {
		last++
	}
	return Passage{Name: name, Table: true, Start: first, End: last}
}

// keyPassages lists the passages of a key and of what its value contains.
func keyPassages(table string, e *unstable.Node, inline bool) []Passage {
	p := Passage{Name: join(table, keysJoined(e)), Inline: inline, Start: int(e.Raw.Offset),
		End: int(e.Raw.Offset + e.Raw.Length)}
	value := e.Value()
	switch value.Kind {
	case unstable.InlineTable, unstable.Array:
		return append([]Passage{p}, within(p.Name, value)...)
	case unstable.String:
		p.Text = string(value.Data)
	}
	p.Value = [2]int{int(value.Raw.Offset), int(value.Raw.Offset + value.Raw.Length)}
	return []Passage{p}
}

// within are the passages of the keys in a value.
func within(name string, value *unstable.Node) (all []Passage) {
	children := value.Children()
	for i := 0; children.Next(); i++ {
		switch child := children.Node(); {
		case value.Kind == unstable.InlineTable:
			all = append(all, keyPassages(name, child, true)...)
		case child.Kind == unstable.InlineTable:
			all = append(all, within(fmt.Sprintf("%s[%d]", name, i), child)...)
		}
	}
	return all
}

func keys(e *unstable.Node) iter.Seq[*unstable.Node] {
	return func(yield func(*unstable.Node) bool) {
		for it := e.Key(); it.Next(); {
			if !yield(it.Node()) {
				return
			}
		}
	}
}

func keysJoined(e *unstable.Node) string {
	var words []string
	for key := range keys(e) {
		words = append(words, string(key.Data))
	}
	return strings.Join(words, ".")
}
