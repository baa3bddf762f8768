// Package xmp puts what is known of a photograph into its sidecar file (ISO 16684-1: a packet of RDF): rating, label,
// description and keywords. A file that is there keeps everything else to the byte, and whatever another program or
// person wrote into one of these four: only what was written here before is changed. To know it again, it is written a
// second time, in a namespace of its own.
//
// The standard was followed from memory; that another program reads what is written is tested.
package xmp

import (
	"bytes"
	"cmp"
	"encoding/xml"
	"slices"
	"strconv"
	"strings"
)

// Fields is what is known of a photograph. Zero values are not written, and removed where they were written here.
type Fields struct {
	Rating      int // 1 to 5
	Label       string
	Description string
	Keywords    []string
}

// Merged is a sidecar with fields put in.
type Merged struct {
	Text    []byte // as before, to the byte, if there is nothing to change
	Changed bool
	Kept    []string // fields that have another's value, which stays: rating, label, description, keywords
}

// Merge puts fields into a sidecar, empty if there is none. The error says why it cannot be read; then it is to be left
// alone.
func Merge(old []byte, f Fields) (Merged, error) {
	if len(old) == 0 {
		m := &merger{fields: f}
		m.packet, _ = scan([]byte(emptyPacket))
		m.all()
		return Merged{Text: m.apply(), Changed: true}, nil
	}
	p, err := scan(old)
	if err != nil {
		return Merged{}, err
	}
	m := &merger{packet: p, fields: f}
	m.all()
	text := m.apply()
	return Merged{Text: text, Changed: !bytes.Equal(text, old), Kept: m.kept}, nil
}

// emptyPacket is a sidecar with nothing in it.
const emptyPacket = "<?xpacket begin=\"\ufeff\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n" +
	`<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="` + nsRDF + `">
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="w"?>
`

// edit replaces what stands at a place.
type edit struct {
	place
	text string
}

type merger struct {
	packet
	fields  Fields
	edits   []edit
	added   strings.Builder // properties for a new description
	own     strings.Builder // our copy of what we wrote
	kept    []string
	removed map[int]bool // indices of removed properties
}

func (m *merger) all() {
	m.removed = map[int]bool{}
	rating := ""
	if m.fields.Rating > 0 {
		rating = strconv.Itoa(m.fields.Rating)
	}
	m.simple("rating", xml.Name{Space: nsXMP, Local: "Rating"}, "xmp:Rating", rating)
	m.simple("label", xml.Name{Space: nsXMP, Local: "Label"}, "xmp:Label", m.fields.Label)
	m.description()
	m.keywords()
	m.replaceOwn()
}

// find returns the indices of the properties with a name.
func (m *merger) find(name xml.Name) (at []int) {
	for i, p := range m.properties {
		if p.name == name {
			at = append(at, i)
		}
	}
	return at
}

// before is what we wrote for a property last time; false if we never did.
func (m *merger) before(local string) (text string, ok bool) {
	for _, i := range m.find(xml.Name{Space: nsOwn, Local: local}) {
		return m.properties[i].text, true
	}
	return "", false
}

// simple sets a text property. One that we wrote and somebody removed stays out until its value changes.
func (m *merger) simple(words string, name xml.Name, written, value string) {
	at := m.find(name)
	before, wrote := m.before(name.Local)
	switch {
	case len(at) == 0:
		if value != "" && !(wrote && before == value) {
			m.added.WriteString("   <" + written + ">" + escape(value) + "</" + written + ">\n")
		}
		m.noteOwn(name.Local, value)
		return
	case !wrote || slices.ContainsFunc(at, func(i int) bool {
		return m.properties[i].text != before || m.properties[i].complex
	}):
		if value != "" && m.properties[at[0]].text != value {
			m.kept = append(m.kept, words)
		}
		return
	case value == "":
		for _, i := range at {
			m.remove(i)
		}
		return
	}
	for _, i := range at {
		m.edits = append(m.edits, edit{m.properties[i].inner, escape(value)})
	}
	m.noteOwn(name.Local, value)
}

// noteOwn records in our own namespace what we wrote.
func (m *merger) noteOwn(local, value string) {
	if value != "" {
		m.own.WriteString("   <stillwater:" + local + ">" + escape(value) + "</stillwater:" + local + ">\n")
	}
}

// description sets the description without a language.
func (m *merger) description() {
	at := m.find(xml.Name{Space: nsDC, Local: "description"})
	before, wrote := m.before("Description")
	value := m.fields.Description
	if len(at) == 0 {
		if value != "" && !(wrote && before == value) {
			m.added.WriteString("   <dc:description>\n    <rdf:Alt>\n     <rdf:li xml:lang=\"x-default\">" + escape(value) +
				"</rdf:li>\n    </rdf:Alt>\n   </dc:description>\n")
		}
		m.noteOwn("Description", value)
		return
	}
	p := m.properties[at[0]]
	which := -1
	if p.list != nil {
		which = slices.IndexFunc(p.list.items, func(i item) bool {
			return i.lang == "x-default" && wrote && i.text == before
		})
	}
	switch {
	case which < 0:
		same := func(i item) bool { return i.text == value }
		if value != "" && (p.list == nil || !slices.ContainsFunc(p.list.items, same)) {
			m.kept = append(m.kept, "description")
		}
		return
	case value == "" && len(p.list.items) == 1:
		m.remove(at[0])
	case value == "":
		m.edits = append(m.edits, edit{p.list.items[which].place, ""})
	case value != before:
		m.edits = append(m.edits, edit{p.list.items[which].place, "<" + p.list.prefix + "li xml:lang=\"x-default\">" +
			escape(value) + "</" + p.list.prefix + "li>"})
	}
	m.noteOwn("Description", value)
}

// keywords adds missing keywords, and removes those that we wrote and that are no longer wanted.
func (m *merger) keywords() {
	var before []string
	for _, i := range m.find(xml.Name{Space: nsOwn, Local: "Keywords"}) {
		if l := m.properties[i].list; l != nil {
			for _, one := range l.items {
				before = append(before, one.text)
			}
		}
	}
	at := m.find(xml.Name{Space: nsDC, Local: "subject"})
	var there []string
	for _, i := range at {
		there = append(there, m.dropKeywords(i, before)...)
	}
	var missing []string
	for _, word := range m.fields.Keywords {
		if !slices.Contains(there, word) && !slices.Contains(before, word) && !slices.Contains(missing, word) {
			missing = append(missing, word)
		}
	}
	m.addKeywords(at, missing)
	if len(m.fields.Keywords) > 0 {
		m.own.WriteString("   <stillwater:Keywords>\n    <rdf:Bag>\n" + items("rdf:", m.fields.Keywords) +
			"    </rdf:Bag>\n   </stillwater:Keywords>\n")
	}
}

// dropKeywords removes from a property the keywords that we wrote before and that are no longer wanted, and the
// property itself if it is then empty. It returns the keywords it had.
func (m *merger) dropKeywords(at int, before []string) (there []string) {
	l := m.properties[at].list
	if l == nil {
		return nil
	}
	var gone []edit
	for _, one := range l.items {
		there = append(there, one.text)
		if slices.Contains(before, one.text) && !slices.Contains(m.fields.Keywords, one.text) {
			gone = append(gone, edit{one.place, ""})
		}
	}
	if len(gone) > 0 && len(gone) == len(l.items) && len(m.fields.Keywords) == 0 {
		m.remove(at)
		return there
	}
	m.edits = append(m.edits, gone...)
	return there
}

func (m *merger) addKeywords(at []int, missing []string) {
	if len(missing) == 0 {
		return
	}
	for _, i := range at {
		l := m.properties[i].list
		switch {
		case l == nil:
			continue
		case l.selfEnds:
			m.edits = append(m.edits, edit{l.inner, "<" + l.name + ">" + items(l.prefix, missing) + "</" + l.name + ">"})
		default:
			m.edits = append(m.edits, edit{place{l.inner.end, l.inner.end}, items(l.prefix, missing)})
		}
		return
	}
	if len(at) > 0 { // a form that is not known here
		m.kept = append(m.kept, "keywords")
		return
	}
	m.added.WriteString("   <dc:subject>\n    <rdf:Bag>\n" + items("rdf:", missing) + "    </rdf:Bag>\n   </dc:subject>\n")
}

func items(prefix string, words []string) (text string) {
	for _, word := range words {
		text += "     <" + prefix + "li>" + escape(word) + "</" + prefix + "li>\n"
	}
	return text
}

// replaceOwn replaces our copy of what we wrote, unless it is unchanged.
func (m *merger) replaceOwn() {
	if m.added.Len() == 0 && m.ownIsSame() {
		return
	}
	for i, p := range m.properties {
		if p.name.Space == nsOwn {
			m.remove(i)
		}
	}
	if m.added.Len() == 0 && m.own.Len() == 0 {
		return
	}
	about := ""
	if len(m.descriptions) > 0 {
		about = m.descriptions[0].about
	}
	block := " <rdf:Description rdf:about=\"" + escape(about) + "\"\n    xmlns:rdf=\"" + nsRDF + "\" xmlns:xmp=\"" +
		nsXMP + "\"\n    xmlns:dc=\"" + nsDC + "\" xmlns:stillwater=\"" + nsOwn + "\">\n" + m.added.String() +
		m.own.String() + "  </rdf:Description>\n "
	if m.end.start == m.end.end {
		m.edits = append(m.edits, edit{m.end, block})
		return
	}
	tag := strings.TrimSuffix(string(m.text[m.end.start:m.end.end]), "/>")
	m.edits = append(m.edits, edit{m.end, tag + ">" + block + "</" + m.rdf + ">"})
}

// ownIsSame reports whether our copy in the file is up to date.
func (m *merger) ownIsSame() bool {
	there := map[string]string{}
	for _, p := range m.properties {
		if p.name.Space == nsOwn {
			there[p.name.Local] += valueOf(p)
		}
	}
	p, err := scan([]byte(strings.Replace(emptyPacket, " </rdf:RDF>", "<rdf:Description xmlns:stillwater=\""+nsOwn+"\">"+
		m.own.String()+"</rdf:Description></rdf:RDF>", 1)))
	if err != nil || len(p.properties) != len(there) {
		return false
	}
	for _, wanted := range p.properties {
		if text, known := there[wanted.name.Local]; !known || text != valueOf(wanted) {
			return false
		}
	}
	return true
}

func valueOf(p property) string {
	if p.list == nil {
		return p.text
	}
	words := make([]string, len(p.list.items))
	for i, one := range p.list.items {
		words[i] = one.text
	}
	return strings.Join(words, "\x00")
}

// remove removes a property, and its description if that is ours and has nothing else.
func (m *merger) remove(i int) {
	if m.removed[i] {
		return
	}
	m.removed[i] = true
	m.edits = append(m.edits, edit{m.properties[i].place, ""})
	of := m.properties[i].of
	for k, p := range m.properties {
		if p.of == of && !m.removed[k] {
			return
		}
	}
	if d := m.descriptions[of]; !d.foreign {
		m.edits = append(m.edits, edit{d.place, ""})
	}
}

// apply makes the edits. An edit inside a larger one that removes all of it is skipped.
func (m *merger) apply() []byte {
	slices.SortStableFunc(m.edits, func(a, b edit) int {
		return cmp.Or(cmp.Compare(a.start, b.start), -cmp.Compare(a.end, b.end))
	})
	var out bytes.Buffer
	at := 0
	for _, e := range m.edits {
		if e.start < at {
			continue
		}
		out.Write(m.text[at:e.start])
		out.WriteString(e.text)
		at = e.end
	}
	out.Write(m.text[at:])
	return out.Bytes()
}

// escape is a text as XML has it; characters that XML cannot hold become U+FFFD.
func escape(text string) string {
	var b bytes.Buffer
	if err := xml.EscapeText(&b, []byte(text)); err != nil {
		return "" // nothing that a buffer can do
	}
	return b.String()
}
