package xmp

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
)

// Namespaces of ISO 16684-1, and our own, which repeats what we wrote, to tell it from what others wrote.
const (
	nsRDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
	nsXMP = "http://ns.adobe.com/xap/1.0/"
	nsDC  = "http://purl.org/dc/elements/1.1/"
	nsOwn = "urn:stillwater:frames:"
	nsXML = "http://www.w3.org/XML/1998/namespace"
)

// Bounds of a sidecar. Those of other programs have some kB, and nest ten deep.
const (
	MaxBytes = 4 << 20
	maxDepth = 64
)

// place is where something stands in a file's bytes.
type place struct{ start, end int }

// item is an item of a list.
type item struct {
	place
	text, lang string
}

// property is a property of a description: an attribute, or an element with a text or a list.
type property struct {
	place
	name        xml.Name
	isAttribute bool
	inner       place // its text as it stands in the file, escaped
	text        string
	list        *list // nil: none
	complex     bool  // it has content that we do not understand
	of          int   // index of its description
}

// list is a property's container: rdf:Bag, rdf:Seq or rdf:Alt.
type list struct {
	prefix   string // the RDF namespace's prefix there, with its colon
	name     string // the element's name as written
	inner    place
	selfEnds bool // written as <rdf:Bag/>: inner is the whole tag
	items    []item
}

// description is an rdf:Description of the packet.
type description struct {
	place
	about    string
	children int  // properties that are elements
	foreign  bool // it has properties that we did not write
}

// packet is a parsed sidecar: the parts that may be edited.
type packet struct {
	text         []byte
	properties   []property
	descriptions []description
	end          place // where a description can be added; if not empty, a self-closing tag that must be opened first
	rdf          string
}

var (
	errEncoding = errors.New("it is not in UTF-8: have the program that wrote it write UTF-8")
	errDTD      = errors.New("it declares a document type or entities, which XMP has none of")
	errDeep     = errors.New("its elements nest deeper than those of XMP do")
	errNoRDF    = errors.New("there is no XMP in it")
	errLarge    = fmt.Errorf("it has more than %d MB", MaxBytes>>20)
	errSeveral  = errors.New("there are several packets of XMP in it")
)

// scanner reads a packet.
type scanner struct {
	packet
	decoder *xml.Decoder
	stack   []xml.StartElement
	starts  []int // of the elements in the stack
	bodies  []int // where their content begins
	now     *property
	item    *item
	packets int
}

// scan reads a file. What is not well-formed, or made to harm, is refused.
func scan(text []byte) (packet, error) {
	switch {
	case len(text) > MaxBytes:
		return packet{}, errLarge
	case !utf8.Valid(text):
		return packet{}, errEncoding
	}
	s := scanner{packet: packet{text: text}, decoder: xml.NewDecoder(bytes.NewReader(text))}
	for {
		from := int(s.decoder.InputOffset())
		token, err := s.decoder.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return packet{}, fmt.Errorf("it cannot be read: %w", err)
		}
		if err := s.take(token, place{from, int(s.decoder.InputOffset())}); err != nil {
			return packet{}, err
		}
	}
	switch s.packets {
	case 0:
		return packet{}, errNoRDF
	case 1:
		return s.packet, nil
	}
	return packet{}, errSeveral
}

func (s *scanner) take(token xml.Token, at place) error {
	switch t := token.(type) {
	case xml.Directive:
		return errDTD
	case xml.StartElement:
		if len(s.stack) >= maxDepth {
			return errDeep
		}
		s.open(t.Copy(), at)
	case xml.EndElement:
		s.close(at)
	case xml.CharData:
		switch {
		case s.item != nil:
			s.item.text += string(t)
		case s.now != nil:
			s.now.text += string(t)
		}
	}
	return nil
}

// depth below the RDF element: 1 is a description, 2 its property, 3 a container, 4 an item; 0 elsewhere.
func (s *scanner) depth() int {
	for i, e := range s.stack {
		if e.Name == (xml.Name{Space: nsRDF, Local: "RDF"}) {
			return len(s.stack) - i - 1
		}
	}
	return -1
}

func (s *scanner) open(t xml.StartElement, at place) {
	s.stack, s.starts, s.bodies = append(s.stack, t), append(s.starts, at.start), append(s.bodies, at.end)
	isRDF := t.Name.Space == nsRDF
	switch depth := s.depth(); {
	case depth == 0:
		s.packets++
		s.rdf = tagName(s.text[at.start:at.end])
	case depth == 1:
		s.describe(t, at)
	case depth == 2:
		s.now = &property{place: at, name: t.Name, inner: place{at.end, at.end}, of: len(s.descriptions) - 1}
		s.now.complex = len(t.Attr) > 0
		d := &s.descriptions[s.now.of]
		d.children++
		d.foreign = d.foreign || t.Name.Space != nsOwn
	case depth == 3 && isRDF && slices.Contains([]string{"Bag", "Seq", "Alt"}, t.Name.Local) && s.now.list == nil:
		tag := s.text[at.start:at.end]
		name := tagName(tag)
		prefix, _, prefixed := strings.Cut(name, ":")
		s.now.list = &list{name: name, inner: place{at.end, at.end}}
		if prefixed {
			s.now.list.prefix = prefix + ":"
		}
		if bytes.HasSuffix(tag, []byte("/>")) {
			s.now.list.selfEnds, s.now.list.inner = true, at
		}
	case depth == 4 && isRDF && t.Name.Local == "li" && s.now.list != nil:
		s.item = &item{place: at}
		for _, a := range t.Attr {
			if a.Name.Local == "lang" && (a.Name.Space == nsXML || a.Name.Space == "xml") {
				s.item.lang = a.Value
			}
		}
	case depth > 2:
		s.now.complex = true
	}
}

// describe notes a description and its properties that are attributes.
func (s *scanner) describe(t xml.StartElement, at place) {
	d := description{place: at}
	for i, a := range attributesOf(s.text[at.start:at.end]) {
		if i >= len(t.Attr) {
			break
		}
		switch name := t.Attr[i].Name; {
		case name.Local == "about" && (name.Space == nsRDF || name.Space == ""):
			d.about = t.Attr[i].Value
		case name.Space == "xmlns" || name.Local == "xmlns" || name.Space == nsRDF:
		default:
			d.foreign = d.foreign || name.Space != nsOwn
			s.properties = append(s.properties, property{place: a.place.from(at.start), name: name, isAttribute: true,
				inner: a.value.from(at.start), text: t.Attr[i].Value, of: len(s.descriptions)})
		}
	}
	s.descriptions = append(s.descriptions, d)
}

func (s *scanner) close(at place) {
	depth, last := s.depth(), len(s.stack)-1
	selfEnds := at.start == at.end
	switch {
	case depth == 0:
		s.end = place{at.start, at.start}
		if selfEnds {
			s.end = place{s.starts[last], at.end}
		}
	case depth == 1:
		s.descriptions[len(s.descriptions)-1].end = at.end
	case depth == 2:
		s.now.end, s.now.inner.end = at.end, at.start
		if selfEnds {
			s.now.inner = place{at.end, at.end}
			s.now.complex = true // there is no place for a text
		}
		s.properties = append(s.properties, *s.now)
		s.now = nil
	case depth == 3 && s.now.list != nil && !s.now.list.selfEnds && s.bodies[last] == s.now.list.inner.start:
		s.now.list.inner.end = at.start
	case depth == 4 && s.item != nil:
		s.item.end = at.end
		s.now.list.items = append(s.now.list.items, *s.item)
		s.item = nil
	}
	s.stack, s.starts, s.bodies = s.stack[:last], s.starts[:last], s.bodies[:last]
}

func (p place) from(start int) place { return place{p.start + start, p.end + start} }

// tagName is the name in a start tag, as it is written.
func tagName(tag []byte) string {
	return string(bytes.TrimRight(bytes.FieldsFunc(tag[1:], func(r rune) bool {
		return strings.ContainsRune(" \t\r\n/>", r)
	})[0], "/>"))
}

// attribute is where one stands in a tag, with the space before it, and its value.
type attribute struct{ place, value place }

// attributesOf finds the attributes in a start tag that is well-formed.
func attributesOf(tag []byte) (list []attribute) {
	at := len(tagName(tag)) + 1
	for {
		start := at
		for at < len(tag) && strings.IndexByte(" \t\r\n", tag[at]) >= 0 {
			at++
		}
		equals := bytes.IndexByte(tag[at:], '=')
		if equals < 0 || tag[at] == '/' || tag[at] == '>' {
			return list
		}
		open := at + equals + 1
		for open < len(tag) && tag[open] != '"' && tag[open] != '\'' {
			open++
		}
		if open >= len(tag) {
			return list
		}
		size := bytes.IndexByte(tag[open+1:], tag[open])
		if size < 0 {
			return list
		}
		at = open + 1 + size + 1
		list = append(list, attribute{place{start, at}, place{open + 1, open + 1 + size}})
	}
}
