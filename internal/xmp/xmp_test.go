package xmp_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
	"stillwater/internal/xmp"
)

var some = xmp.Fields{Rating: 5, Label: "good", Description: "rim <thin> & \"even\"\nTröpfchen",
	Keywords: []string{"stillwater", "delay 92.5 ms", "throw"}}

func merge(t *testing.T, old string, f xmp.Fields) (string, xmp.Merged) {
	t.Helper()
	m, err := xmp.Merge([]byte(old), f)
	require.NoError(t, err)
	again, err := xmp.Merge(m.Text, f)
	require.NoError(t, err)
	assert.False(t, again.Changed, "the same again changes nothing:\n%s", again.Text)
	return string(m.Text), m
}

const xmlHead = `<?xml version="1.0" encoding="UTF-8"?>
`

// packet is a sidecar as another program may write it.
func packet(content string) string {
	return xmlHead + `<x:xmpmeta xmlns:x="adobe:ns:meta/" x:xmptk="other 1.0">
<r:RDF xmlns:r="http://www.w3.org/1999/02/22-rdf-syntax-ns#">` +
		content + `</r:RDF></x:xmpmeta>` + "\n<!-- the end -->\n"
}

const (
	nsXMP = `xmlns:xmp="http://ns.adobe.com/xap/1.0/" `
	nsDC  = `xmlns:dc="http://purl.org/dc/elements/1.1/" `
)

// read is what exiftool finds in a sidecar.
func read(t *testing.T, text string) map[string]any {
	t.Helper()
	tool := need.Tool(t, "exiftool")
	file := filepath.Join(t.TempDir(), "a.xmp")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	out, err := exec.Command(tool, "-j", "-struct", "-G1", "-a", file).CombinedOutput()
	require.NoError(t, err, "%s\n%s", out, text)
	var list []map[string]any
	require.NoError(t, json.Unmarshal(out, &list), "%s", out)
	assert.Nil(t, list[0]["ExifTool:Warning"], text)
	return list[0]
}

// Another program reads what was written as it was meant.
func TestReadByAnotherProgram(t *testing.T) {
	text, _ := merge(t, "", some)
	got := read(t, text)
	assert.Equal(t, []any{5.0, "good", some.Description, []any{"stillwater", "delay 92.5 ms", "throw"}},
		[]any{got["XMP-xmp:Rating"], got["XMP-xmp:Label"], got["XMP-dc:Description"], got["XMP-dc:Subject"]})
}

// What another program writes into the sidecar stays, and so does what it makes of what was written here.
func TestAfterAnotherProgram(t *testing.T) {
	tool := need.Tool(t, "exiftool")
	text, _ := merge(t, "", some)
	file := filepath.Join(t.TempDir(), "a.xmp")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	out, err := exec.Command(tool, "-overwrite_original", "-XMP-dc:Subject+=holiday", "-XMP-dc:Title=Splash",
		"-XMP-xmp:Rating=2", "-XMP-dc:Rights=mine", file).CombinedOutput()
	require.NoError(t, err, "%s", out)
	changed, err := os.ReadFile(file)
	require.NoError(t, err)
	next := some
	next.Rating, next.Label, next.Keywords = 4, "late", []string{"stillwater", "delay 95 ms", "throw"}
	text, m := merge(t, string(changed), next)
	assert.Equal(t, []string{"rating"}, m.Kept)
	got := read(t, text)
	assert.Equal(t, 2.0, got["XMP-xmp:Rating"], "another's")
	assert.Equal(t, "late", got["XMP-xmp:Label"], "ours, which is new")
	assert.Equal(t, "Splash", got["XMP-dc:Title"])
	assert.Equal(t, "mine", got["XMP-dc:Rights"])
	assert.ElementsMatch(t, []any{"stillwater", "throw", "holiday", "delay 95 ms"}, got["XMP-dc:Subject"])
}

// Of a property that is there twice, ours and another's, both stay.
func TestPropertyTwice(t *testing.T) {
	text, _ := merge(t, "", some)
	text = strings.Replace(text, "</rdf:RDF>", `<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" `+
		`xmp:Rating="1" xmp:Label="Mine"/></rdf:RDF>`, 1)
	next := some
	next.Rating, next.Label = 4, "late"
	after, m := merge(t, text, next)
	assert.ElementsMatch(t, []string{"rating", "label"}, m.Kept)
	for _, stays := range []string{`xmp:Rating="1" xmp:Label="Mine"`, "<xmp:Rating>5<", "<xmp:Label>good<"} {
		assert.Contains(t, after, stays)
	}
}

func TestMerge(t *testing.T) {
	description := func(attributes, content string) string {
		return packet("<r:Description r:about='' " + attributes + ">" + content + "</r:Description>")
	}
	for name, c := range map[string]struct {
		old  string
		has  []string
		kept []string
	}{
		"nothing there": {packet(""), []string{`<xmp:Rating>5</xmp:Rating>`, "<!-- the end -->"}, nil},
		"no room":       {strings.Replace(packet(""), "></r:RDF>", "/>", 1), []string{`<xmp:Rating>5<`, "</r:RDF>"}, nil},
		"another's rating, as an attribute": {description(nsXMP+`xmp:Rating="1"`, ""), []string{`xmp:Rating="1"`},
			[]string{"rating"}},
		"another's rating": {description(nsXMP, `<xmp:Rating>1</xmp:Rating>`), []string{`<xmp:Rating>1</xmp:Rating>`},
			[]string{"rating"}},
		"the same rating": {description(nsXMP, `<xmp:Rating>5</xmp:Rating>`), []string{`<xmp:Rating>5</xmp:Rating>`}, nil},
		"its own prefixes": {description(`xmlns:k="http://ns.adobe.com/xap/1.0/" k:Label='red'`, ""),
			[]string{`k:Label='red'`}, []string{"label"}},
		"keywords": {description(nsDC, `<dc:subject><r:Bag><r:li>sea</r:li></r:Bag></dc:subject>`),
			[]string{"<r:li>sea</r:li>", "<r:li>stillwater</r:li>"}, nil},
		"no keywords": {description(nsDC, `<dc:subject><r:Bag/></dc:subject>`),
			[]string{"<r:Bag>     <r:li>stillwater</r:li>"}, nil},
		"keywords that are a text": {description(nsDC, `<dc:subject>sea</dc:subject>`), []string{">sea<"},
			[]string{"keywords"}},
		"another's description": {description(nsDC,
			`<dc:description><r:Alt><r:li xml:lang="x-default">mine</r:li></r:Alt></dc:description>`), []string{">mine<"},
			[]string{"description"}},
		"of which photograph": {strings.ReplaceAll(description("", ""), "r:about=''", `r:about="uuid:7"`),
			[]string{`rdf:about="uuid:7"`}, nil},
	} {
		text, m := merge(t, c.old, some)
		for _, part := range c.has {
			assert.Contains(t, text, part, name)
		}
		assert.Equal(t, c.kept, m.Kept, name)
	}
}

// What was written here follows what is known now, and goes with it; and what a person took out stays out.
func TestWrittenHere(t *testing.T) {
	text, _ := merge(t, packet(`<r:Description r:about="" `+nsDC+`dc:format="image/jpeg"/>`), some)
	next := xmp.Fields{Rating: 3, Label: "late", Description: "no", Keywords: []string{"stillwater"}}
	text, _ = merge(t, text, next)
	for _, part := range []string{"<xmp:Rating>3<", "<xmp:Label>late<", ">no</rdf:li>"} {
		assert.Contains(t, text, part)
	}
	for _, part := range []string{"throw", "good", "Tröpf", ">5<"} {
		assert.NotContains(t, text, part)
	}
	out := strings.Replace(text, "<xmp:Rating>3</xmp:Rating>", "", 1)
	out = strings.Replace(out, "<rdf:li>stillwater</rdf:li>", "", 1)
	_, m := merge(t, out, next)
	assert.False(t, m.Changed, "taken out by a person")
	text, _ = merge(t, text, xmp.Fields{})
	assert.NotContains(t, text, "late")
	assert.NotContains(t, text, "<dc:subject>")
	assert.Contains(t, text, `dc:format="image/jpeg"`)
}

// Hostile and broken files are refused, each in words.
func TestRefused(t *testing.T) {
	deep := strings.Repeat("<a>", 70) + strings.Repeat("</a>", 70)
	bomb := `<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>` + packet("&b;")
	for want, old := range map[string]string{
		"document type":       bomb,
		"cannot be read: XML": packet("&secret;"),
		"cannot be read":      packet("")[:150],
		"no XMP in it":        "<a/>",
		"nest deeper":         packet(deep),
		"more than 4 MB":      packet(strings.Repeat(" ", xmp.MaxBytes)),
		"in UTF-8":            "\xfe\xff\x00<",
		"several packets":     "<a>" + strings.Repeat(strings.TrimPrefix(packet(""), xmlHead), 2) + "</a>",
		"ISO-8859-1":          strings.Replace(packet(""), "UTF-8", "ISO-8859-1", 1),
	} {
		_, err := xmp.Merge([]byte(old), some)
		assert.ErrorContains(t, err, want)
	}
}

// FuzzMerge: whatever is there, the result can be read, the same again changes nothing, and nothing of another's goes.
func FuzzMerge(f *testing.F) {
	f.Add(packet(`<r:Description r:about="" `+nsXMP+nsDC+`xmp:Rating="3"><dc:subject><r:Bag><r:li>a</r:li></r:Bag>`+
		`</dc:subject><dc:title>x</dc:title></r:Description>`), "good", "note")
	f.Add("", "a&b", "\x00\ufffe<")
	f.Add("", "\xc8", "\x80") // each is no UTF-8, and both together are
	m, err := xmp.Merge(nil, some)
	require.NoError(f, err)
	f.Add(string(m.Text), "late", "")
	f.Fuzz(func(t *testing.T, old, label, note string) {
		fields := xmp.Fields{Rating: len(label) % 6, Label: label, Description: note, Keywords: []string{"stillwater", note}}
		m, err := xmp.Merge([]byte(old), fields)
		if err != nil {
			require.NotEmpty(t, old, "%v", err)
			return
		}
		again, err := xmp.Merge(m.Text, fields)
		require.NoError(t, err, "%q", m.Text)
		if !strings.ContainsRune(fmt.Sprintf("%q %q", label, note), '\\') { // what XML cannot hold comes back changed
			require.False(t, again.Changed, "%q\n%q", m.Text, again.Text)
		}
		for _, one := range xmp.Foreign(t, []byte(old)) {
			require.True(t, bytes.Contains(m.Text, []byte(one)), "%q is gone from %q", one, m.Text)
		}
	})
}

func ExampleMerge() {
	m, err := xmp.Merge(nil, xmp.Fields{Rating: 5, Keywords: []string{"delay 92.5 ms"}})
	fmt.Println(err, m.Changed, bytes.Contains(m.Text, []byte("<xmp:Rating>5</xmp:Rating>")))
	// Output: <nil> true true
}
