package main

import (
	"encoding/xml"
	"fmt"
	"html"
	"io"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
)

// Each part of the boards goes in at one step, whose picture has its name and its generic number, and none before; the
// guide shows each picture.
func TestStepPictures(t *testing.T) {
	d := design(t)
	pictures, err := stepPictures(d)
	require.NoError(t, err)
	guide := read(t, "README.md")
	at := map[string]int{}
	for _, s := range steps {
		name := fmt.Sprintf("step-%d.svg", s.number)
		text := pictures[name]
		for x := xml.NewDecoder(strings.NewReader(text)); ; {
			_, err := x.Token()
			if err == io.EOF {
				break
			}
			require.NoError(t, err, name)
		}
		assert.Contains(t, guide, "](generated/"+name+")")
		bodies := strings.Count(text, `<rect class="body"`) + strings.Count(text, `<rect class="edge"`)
		assert.Equal(t, bodies, strings.Count(text, `style="fill:#d0d0d0`), "%s: each is a block", name)
		for _, words := range stepLegend {
			assert.Contains(t, text, html.EscapeString(words), name)
		}
		named := map[string]bool{}
		for _, m := range regexp.MustCompile(`<text [^>]*>([A-Z]+\d+)(?: [^<]*)?</text>`).FindAllStringSubmatch(text, -1) {
			named[m[1]] = true
		}
		for _, p := range d.Board(s.board).Parts {
			in := slices.Contains(s.sections, p.Section)
			assert.Equal(t, in, named[p.Ref], "%s %s", name, p.Ref)
			if in {
				assert.Zero(t, at[p.Ref], "%s goes in twice", p.Ref)
				if kind := strings.ReplaceAll(p.Type.Name, "_", " "); p.Value == "" && p.What() != kind {
					assert.NotRegexp(t, `>(`+p.Ref+` )?`+kind+`</text>`, text, "%s: %s has a number", name, p.Ref)
					assert.Regexp(t, `>(`+p.Ref+` )?`+regexp.QuoteMeta(p.What())+`</text>`, text, "%s %s", name, p.Ref)
				}
				at[p.Ref] = s.number
			}
		}
	}
	for _, board := range []string{"outputs", "sensors", "modulated"} {
		for _, p := range d.Board(board).Parts {
			assert.Positive(t, at[p.Ref], "%s %s is in no step", board, p.Ref)
		}
	}
	for number := 1; number <= 12; number++ {
		assert.Contains(t, guide, fmt.Sprintf("](generated/step-%d.svg)", number), "each step has its picture")
	}
	// What a step's words name is in by then.
	for _, m := range regexp.MustCompile(`(?m)^(\d+)\. (.*\n(?: {2,}.*\n)*)`).FindAllStringSubmatch(guide, -1) {
		for _, ref := range regexp.MustCompile(`\b(?:RV|MK|BT|SW|[CDFQRUJ])\d+\b`).FindAllString(m[2], -1) {
			var number int
			_, err := fmt.Sscan(m[1], &number)
			require.NoError(t, err)
			if in, is := at[ref]; is {
				assert.LessOrEqual(t, in, number, "step %d names %s", number, ref)
			}
		}
	}
}

// The pictures of the steps at which nothing goes in name each isolated common and each flash contact at the terminal
// where circuits.txt has them; the guide names the same commons.
func TestLastStepsNameTheTerminals(t *testing.T) {
	d := design(t)
	pictures, err := sketchedSteps(d)
	require.NoError(t, err)
	b, guide := d.Board("outputs"), strings.Join(strings.Fields(read(t, "README.md")), " ")
	commons := 0
	for _, n := range b.Nets {
		if n.Use != circuit.Zero || n.Group == b.Groups[0].Name {
			continue
		}
		commons++
		assert.Contains(t, pictures["step-11.svg"], ">"+n.Name+"<")
		assert.Contains(t, pictures["step-11.svg"], ">"+terminalOf(b, n.Name)+": no reading<")
		assert.Regexp(t, `11\. .*`+n.Name+`.* to GND and to each other`, guide)
	}
	assert.Equal(t, 4, commons)
	for _, want := range []string{"positive side to J31 pin 1, FL1_HOT; the other to J31 pin 2, FL1_COM",
		"positive side to J32 pin 1, FL2_HOT; the other to J32 pin 2, FL2_COM"} {
		assert.Contains(t, pictures["step-12.svg"], want)
	}
	b.Part("J32").Pins["1"], b.Part("J32").Pins["2"] = "FL2_COM", "FL2_HOT"
	changed, err := sketchedSteps(d)
	require.NoError(t, err)
	assert.Contains(t, changed["step-12.svg"], "positive side to J32 pin 2, FL2_HOT")
}
