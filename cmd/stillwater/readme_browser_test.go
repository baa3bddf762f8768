package main

import (
	"bytes"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const readmeFolder = "../../testdata/readme"

// kindOfScreen is what a screen has, as far as it does not change from run to run: headings, fields, buttons and what
// can be unfolded, numbers as 0, a line each.
const kindOfScreen = `(() => {
	const shown = (n) => n.checkVisibility({ opacityProperty: true, visibilityProperty: true });
	const words = (n) => (n.getAttribute("aria-label") ?? n.innerText ?? n.textContent)
		.replace(/[+−-]?\d+([.,:]\d+)*/g, "0").replace(/\s+/g, " ").replace(/(practice shot 0)\..*/, "$1").trim();
	return [...document.querySelectorAll("h1, h2, h3, label, button, summary, #state-word, img, svg[role=img]")]
		.filter((n) => shown(n) && !n.closest("#care-list")).map((n) => n.localName + ": " + words(n))
		.filter((line, i, all) => line !== all[i - 1]).join("\n");
})()`

// TestReadmeScreens goes README's first way on a phone. The pictures of each step there are of screens that have what
// testdata/readme/screens.txt lists; a screen that has something else fails. STILLWATER_PICTURES, set to anything,
// makes pictures and list anew.
func TestReadmeScreens(t *testing.T) {
	t.Parallel()
	d := startMachine(t)
	p := startBrowser(t).phone(t, d.url+"/", 390, 844, true)
	var kinds strings.Builder
	pictures := map[string]image.Image{}
	step := func(name string) {
		kinds.WriteString("# " + name + "\n" + eval[string](p, kindOfScreen) + "\n\n")
		if os.Getenv("STILLWATER_PICTURES") != "" {
			pictures[name] = p.readmePicture(name)
		}
	}
	p.until("the code is asked for", `document.querySelector("#pair-code")?.checkVisibility()`)
	step("start-1-pair")
	p.enter("#pair-code", d.code)
	p.until("this phone holds the controls", holding)
	tickCare(p)
	setFolds(p, false)
	p.place("setup")
	step("start-2-set")
	p.place("shoot")
	p.arm()
	step("start-3-armed")
	for number := 1; ; number++ { // a busy machine may be late: such a shot is not judged
		p.tap("#room")
		p.until("the shot appears", shotCame(number))
		p.state("safe", "Safe")
		if giveVerdict(p, "early") {
			// A starved board counts as gone, and then has no picture of the shot.
			p.until("its picture is there", `document.querySelector("#frame img")?.dataset.state === "whole" ||
				document.body.innerText.includes("The board was disconnected")`)
			if eval[bool](p, `document.querySelector("#frame img")?.dataset.state === "whole"`) {
				break
			}
		}
		require.Less(t, number, 5, "the board was late every time")
		p.arm()
	}
	p.reach("#frame")
	p.settle("#frame")
	step("start-4-judged")
	p.clean()

	list := filepath.Join(readmeFolder, "screens.txt")
	if len(pictures) > 0 {
		beside(t, "page", pictures["start-2-set"], pictures["start-3-armed"], pictures["start-4-judged"])
		require.NoError(t, os.WriteFile(list, []byte(kinds.String()), 0o644))
	}
	want, err := os.ReadFile(list)
	require.NoError(t, err)
	assert.Equal(t, string(want), kinds.String(), "the page is not as README's pictures have it: "+
		"STILLWATER_PICTURES=1 go test ./cmd/stillwater -run ReadmeScreens makes them anew; look at them")
	page, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	for _, name := range []string{"page", "start-1-pair", "start-2-set", "start-3-armed", "start-4-judged"} {
		assert.Contains(t, string(page), "(testdata/readme/"+name+".png)")
		assert.FileExists(t, filepath.Join(readmeFolder, name+".png"))
	}
}

// readmePicture takes one of README's pictures.
func (p *phone) readmePicture(name string) image.Image {
	p.t.Helper()
	shot, err := png.Decode(bytes.NewReader(p.screenshot()))
	require.NoError(p.t, err)
	writePicture(p.t, name, shot)
	return shot
}

// beside makes one picture of several.
func beside(t *testing.T, name string, all ...image.Image) {
	const gap = 10
	size := all[0].Bounds().Size()
	sheet := image.NewRGBA(image.Rect(0, 0, len(all)*(size.X+gap)+gap, size.Y+2*gap))
	draw.Draw(sheet, sheet.Bounds(), image.NewUniform(color.Gray{0x28}), image.Point{}, draw.Src)
	for i, one := range all {
		at := image.Pt(gap+i*(size.X+gap), gap)
		draw.Draw(sheet, image.Rectangle{at, at.Add(size)}, one, one.Bounds().Min, draw.Src)
	}
	writePicture(t, name, sheet)
}

func writePicture(t testing.TB, name string, m image.Image) {
	var out bytes.Buffer
	require.NoError(t, png.Encode(&out, m))
	require.NoError(t, os.WriteFile(filepath.Join(readmeFolder, name+".png"), out.Bytes(), 0o644))
}
