package kicad

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// node is a word, or a list in parentheses whose first item names it.
type node struct {
	word string
	list []*node // nil for a word
	line int
}

const (
	maxDepth = 40    // of lists in lists
	maxMM    = 10000 // from the sheet's corner: far beyond any sheet
)

// scanner reads a text of lists.
type scanner struct {
	text string
	at   int
	line int
}

// parse reads the one list that a file is.
func parse(text string) (*node, error) {
	s := &scanner{text: text, line: 1}
	root, err := s.item(0)
	switch {
	case err != nil:
		return nil, err
	case root == nil || root.list == nil:
		return nil, fmt.Errorf("line %d: no list in parentheses: this is not a file of KiCad's", s.line)
	}
	rest, err := s.item(0)
	if rest != nil && err == nil {
		err = fmt.Errorf("line %d: there is more after the end of the board: take it out", rest.line)
	}
	return root, err
}

// skip passes blanks.
func (s *scanner) skip() {
	for ; s.at < len(s.text) && strings.IndexByte(" \t\r\n", s.text[s.at]) >= 0; s.at++ {
		if s.text[s.at] == '\n' {
			s.line++
		}
	}
}

// item is the next word or list; nil at the end of the text.
func (s *scanner) item(depth int) (*node, error) {
	s.skip()
	if s.at == len(s.text) {
		return nil, nil
	}
	line := s.line
	switch s.text[s.at] {
	case '"':
		word, err := s.quoted()
		return &node{word: word, line: line}, err
	case ')':
		return nil, fmt.Errorf("line %d: a closing parenthesis too many", line)
	case '(':
		s.at++
		return s.items(line, depth+1)
	}
	from := s.at
	for s.at < len(s.text) && strings.IndexByte(" \t\r\n()\"", s.text[s.at]) < 0 {
		s.at++
	}
	return &node{word: s.text[from:s.at], line: line}, nil
}

// items is the rest of a list.
func (s *scanner) items(line, depth int) (*node, error) {
	if depth > maxDepth {
		return nil, fmt.Errorf("line %d: lists in lists, deeper than %d", line, maxDepth)
	}
	n := &node{list: []*node{}, line: line}
	for {
		s.skip()
		if s.at == len(s.text) {
			return nil, fmt.Errorf("line %d: a parenthesis is opened and never closed: the file is not whole", line)
		}
		if s.text[s.at] == ')' {
			s.at++
			return n, nil
		}
		item, err := s.item(depth)
		if err != nil {
			return nil, err
		}
		n.list = append(n.list, item)
	}
}

// quoted is a word in quotes, in which a backslash takes the next character as it is, but for n and t.
func (s *scanner) quoted() (string, error) {
	line := s.line
	var out strings.Builder
	for s.at++; s.at < len(s.text); s.at++ {
		c := s.text[s.at]
		switch {
		case c == '"':
			s.at++
			return out.String(), nil
		case c == '\\' && s.at+1 < len(s.text):
			s.at++
			c = s.text[s.at]
			if i := strings.IndexByte("nt", c); i >= 0 {
				c = "\n\t"[i]
			}
		}
		if s.text[s.at] == '\n' {
			s.line++
		}
		out.WriteByte(c)
	}
	return "", fmt.Errorf("line %d: quotes are opened and never closed: the file is not whole", line)
}

// name is what a list is called.
func (n *node) name() string {
	if len(n.list) == 0 || n.list[0].list != nil {
		return ""
	}
	return n.list[0].word
}

// each lists the lists of a name within this one.
func (n *node) each(name string) (found []*node) {
	for _, o := range n.list {
		if o.list != nil && o.name() == name {
			found = append(found, o)
		}
	}
	return found
}

// get is the first list of a name within this one, or an empty one.
func (n *node) get(name string) *node {
	for _, o := range n.list {
		if o.list != nil && o.name() == name {
			return o
		}
	}
	return &node{line: n.line}
}

// text is a word of a list, counted from its name, which is 0; empty where there is none.
func (n *node) text(i int) string {
	if i >= len(n.list) {
		return ""
	}
	return n.list[i].word
}

// words are the words of a list after its name.
func (n *node) words() (list []string) {
	for i := 1; i < len(n.list); i++ {
		if n.list[i].list == nil {
			list = append(list, n.list[i].word)
		}
	}
	return list
}

// number is a word of a list as a number: of millimetres, of degrees, or that of a net.
func (n *node) number(i int) (float64, error) {
	x, err := strconv.ParseFloat(n.text(i), 64)
	if err != nil || math.IsNaN(x) || math.Abs(x) > maxMM {
		return 0, fmt.Errorf("line %d: (%s ...) has %q where a number from -%d to %d stands", n.line, n.name(),
			n.text(i), maxMM,
			maxMM)
	}
	return x, nil
}
