package main

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
	"stillwater/hardware/kicad"
	"stillwater/internal/need"
)

// numbers reads all of a text.
func numbers(t *testing.T, text string) (list []float64) {
	t.Helper()
	for _, word := range regexp.MustCompile(`-?\d+(\.\d+)?`).FindAllString(text, -1) {
		x, err := strconv.ParseFloat(word, 64)
		require.NoError(t, err)
		list = append(list, x)
	}
	return list
}

// setting is a number of the enclosure's source.
func setting(t *testing.T, source, name string) float64 {
	t.Helper()
	m := regexp.MustCompile(`(?m)^` + name + ` = ([\d.]+);`).FindStringSubmatch(source)
	require.NotNil(t, m, name)
	return numbers(t, m[1])[0]
}

// runScad makes a file of a part of a board's enclosure, with other settings where there are some, and gives it and
// what was printed.
func runScad(t *testing.T, board, part, ending string, more ...string) (made, printed string, err error) {
	t.Helper()
	openscad := need.Tool(t, "openscad")
	file := filepath.Join(t.TempDir(), "made."+ending)
	args := []string{"-o", file}
	for _, set := range append(more, fmt.Sprintf("board=%q", board), fmt.Sprintf("part=%q", part)) {
		args = append(args, "-D", set)
	}
	out, err := exec.CommandContext(t.Context(), openscad,
		append(args, filepath.Join(hardware, "enclosure.scad"))...).CombinedOutput()
	if err != nil {
		return "", string(out), err
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	return string(text), string(out), nil
}

// solid makes a part of the first build's enclosure, and lists the corners of its surface.
func solid(t *testing.T, part string) (corners [][3]float64) {
	t.Helper()
	text, printed, err := runScad(t, "first", part, "stl")
	require.NoError(t, err, printed)
	require.Regexp(t, `Simple:\s+yes`, printed, part)
	for _, m := range regexp.MustCompile(`vertex (.*)`).FindAllStringSubmatch(text, -1) {
		var at [3]float64
		_, err := fmt.Sscan(m[1], &at[0], &at[1], &at[2])
		require.NoError(t, err)
		corners = append(corners, at)
	}
	return corners
}

// extent is the box around corners.
func extent(corners [][3]float64) (low, high [3]float64) {
	low, high = corners[0], corners[0]
	for _, at := range corners {
		for i, x := range at {
			low[i], high[i] = min(low[i], x), max(high[i], x)
		}
	}
	return low, high
}

// pairs groups numbers by two.
func pairs(list []float64) (all [][2]float64) {
	for i := 1; i < len(list); i += 2 {
		all = append(all, [2]float64{list[i-1], list[i]})
	}
	return all
}

// pillarsOf are the pillars' holes of a printed board in its own millimetres, from the lower left corner.
func pillarsOf(t *testing.T, board string, high float64) (holes [][2]float64) {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(hardware, "*", board+".kicad_pcb"))
	require.NoError(t, err)
	require.Len(t, found, 1, "the printed board")
	text, err := os.ReadFile(found[0])
	require.NoError(t, err)
	const at = `([-\d.]+) ([-\d.]+)\)`
	edge := regexp.MustCompile(`(?s)\(gr_rect\s+\(start ` + at + `\s+\(end ` + at + `[^"]*"Edge.Cuts"`).
		FindStringSubmatch(string(text))
	require.NotNil(t, edge, "the board's outline")
	corner := numbers(t, strings.Join(edge[1:], " "))
	pillar := regexp.MustCompile(`(?s)\(footprint "stillwater:pillar".*?\(at ([-\d.]+) ([-\d.]+)`)
	for _, m := range pillar.FindAllStringSubmatch(string(text), -1) {
		at := numbers(t, m[1]+" "+m[2])
		holes = append(holes, [2]float64{at[0] - corner[0], high - (at[1] - corner[1])})
	}
	return holes
}

// nut is what a gland for M12 takes at most, across the corners of its nut and flange, from memory.
const nut = 19.0

// leadsOf are the parts from which a lead leaves the board's box.
func leadsOf(b *circuit.Board) []*circuit.Part {
	return slices.DeleteFunc(slices.Clone(b.Parts), func(p *circuit.Part) bool { return !p.TakesLeads() })
}

// assertLampsAreSeen checks that each lamp of a board stands behind a window, where the printed board has it.
func assertLampsAreSeen(t *testing.T, b *circuit.Board, windows []float64) {
	t.Helper()
	text, err := os.ReadFile(boardFile(hardware, b.Name))
	require.NoError(t, err)
	laid, err := kicad.Read(b.Name, string(text))
	require.NoError(t, err)
	left, upper := math.Inf(1), math.Inf(1)
	for _, l := range laid.Outline {
		left, upper = min(left, l.From.X, l.To.X), min(upper, l.From.Y, l.To.Y)
	}
	for _, laid := range laid.Parts {
		part := b.Part(laid.Ref)
		if part == nil || part.Type.Kind != circuit.LED || part.TakesLeads() {
			continue
		}
		x, y, seen := laid.At.X-left, b.Height-(laid.At.Y-upper), false
		const room = 4
		for i := 0; i < len(windows); i += 4 {
			seen = seen || x-room >= windows[i] && y-room >= windows[i+1] && x+room <= windows[i+2] && y+room <= windows[i+3]
		}
		assert.True(t, seen, "%s: %s at %.1f, %.1f is behind no window", b.Name, part.Ref, x, y)
	}
}

// The enclosure fits the boards as they are: outline, pillars under their holes, a gland for each that is bought.
func TestEnclosureFitsTheBoards(t *testing.T) {
	source := read(t, "enclosure.scad")
	apart, post, skirt := setting(t, source, "gland_apart"), setting(t, source, "post"), setting(t, source, "skirt")
	assert.Greater(t, nut, setting(t, source, "gland"))
	assert.GreaterOrEqual(t, apart, nut)
	bought := regexp.MustCompile(`buy (\d+) "cable gland M12`)
	for _, b := range design(t).Boards {
		text, printed, err := runScad(t, b.Name, "base", "echo")
		require.NoError(t, err, "%s: %s", b.Name, printed)
		said := map[string][]float64{}
		for _, m := range regexp.MustCompile(`ECHO: (\w+) = (.*)`).FindAllStringSubmatch(text, -1) {
			said[m[1]] = numbers(t, m[2])
		}
		inner, corner := said["inner"], said["corner"]
		require.Len(t, inner, 3)
		wall := (said["outer"][0] - inner[0]) / 2
		assert.GreaterOrEqual(t, wall, 2., "walls to print")
		assert.InDelta(t, inner[0], b.Width+2*(corner[0]-wall), 1e-6, "%s: the board's width", b.Name)
		assert.Greater(t, inner[1], b.Height+(corner[1]-wall), "%s: room above the board", b.Name)
		assert.GreaterOrEqual(t, corner[1]-wall, 40., "room for leads to turn")
		assert.GreaterOrEqual(t, corner[0]-wall, post, "the lid's posts stand beside the board")
		assert.GreaterOrEqual(t, inner[2], 40., "as high as what circuits.txt has bought")
		var pillars [][2]float64
		for _, p := range pairs(said["pillars"]) {
			pillars = append(pillars, [2]float64{p[0] - corner[0], p[1] - corner[1]})
		}
		assert.ElementsMatch(t, pillarsOf(t, b.Name, b.Height), pillars, b.Name)
		part := strings.Split(read(t, "circuits.txt"), "\nboard "+b.Name+" ")[1]
		part, _, _ = strings.Cut(part, "\nboard ")
		m := bought.FindStringSubmatch(part)
		require.NotNil(t, m, b.Name)
		assert.Len(t, said["glands"], int(numbers(t, m[1])[0]), "%s: glands", b.Name)
		assert.Len(t, said["glands"], len(leadsOf(b)), "%s: each lead has a gland", b.Name)
		assertLampsAreSeen(t, b, said["windows"])
		up := said["gland_up"][0]
		assert.LessOrEqual(t, up+nut/2, said["outer"][2]-skirt, "%s: nuts are clear of the lid's skirt", b.Name)
		assert.GreaterOrEqual(t, up-nut/2, wall, "%s: nuts are clear of the back", b.Name)
		for i, x := range said["glands"] {
			assert.Greater(t, x-nut/2, wall+post, "%s: beside a post", b.Name)
			assert.Less(t, x+nut/2, said["outer"][0]-wall-post, "%s: beside a post", b.Name)
			drain := math.Hypot(said["drain_at"][0]-x, said["drain_at"][1]-up)
			assert.GreaterOrEqual(t, drain, (nut+setting(t, source, "drain"))/2, "%s: no nut covers the drain", b.Name)
			if i > 0 {
				assert.GreaterOrEqual(t, x-said["glands"][i-1], apart-1e-6)
			}
		}
	}
}

// The closed lid and the base are nowhere in one place; with a lid that is too tight they are.
func TestEnclosureCloses(t *testing.T) {
	_, printed, err := runScad(t, "first", "clash", "stl")
	require.Error(t, err, "base and lid meet")
	assert.Contains(t, printed, "Current top level object is empty")
	_, printed, err = runScad(t, "first", "clash", "stl", "gap=-0.5", "rib=1")
	require.NoError(t, err, printed)
	assert.Regexp(t, `Simple:\s+yes`, printed)
}

// Both parts are solids that a printer can make, as large as they say; the lid reaches over the walls, and its roof
// further back, but not over a gland's nut. Ears stand out above and below.
func TestEnclosureIsSolid(t *testing.T) {
	need.Tool(t, "openscad")
	source := read(t, "enclosure.scad")
	wall, gap, skirt := setting(t, source, "wall"), setting(t, source, "gap"), setting(t, source, "skirt")
	outer := [3]float64{100 + 2*(10+wall), 60 + 10 + 45 + 2*wall, 10 + 1.6 + 30 + wall}
	over := 2 * (wall + gap)
	base, lid := solid(t, "base"), solid(t, "lid")
	sized := func(part string, corners [][3]float64, want [3]float64) {
		low, high := extent(corners)
		for i := range want {
			assert.InDelta(t, want[i], high[i]-low[i], 0.01, "%s along %d", part, i)
		}
	}
	roof := setting(t, source, "roof")
	sized("base", base, [3]float64{outer[0], outer[1] + 2*setting(t, source, "ear"), outer[2]})
	sized("lid", lid, [3]float64{outer[0] + over, outer[1] + over + wall, wall + skirt + roof})
	assert.GreaterOrEqual(t, skirt, 8., "the lid reaches over the walls")
	assert.Greater(t, roof, gap+setting(t, source, "rib"), "the roof covers the rib")
	assert.LessOrEqual(t, skirt+roof, outer[2], "the roof does not meet what the box hangs on")
	holes := slices.DeleteFunc(base, func(at [3]float64) bool { // what is left is in the glands' wall, off its edges
		return math.Abs(at[1]) > 0.02 || at[2] < wall+0.02 || at[2] > outer[2]-0.01
	})
	require.NotEmpty(t, holes)
	atGlands := slices.DeleteFunc(slices.Clone(lid), func(at [3]float64) bool { return at[1] > 0.01 })
	_, lidHigh := extent(atGlands)
	_, top := extent(holes)
	assert.LessOrEqual(t, top[2]+(nut-setting(t, source, "gland"))/2, outer[2]-(lidHigh[2]-wall), "the closed lid's edge")
}

// around measures a hole in a solid, in millimetres: twice the distance of the corners nearest to its middle, of those
// in a plane; axis says across which.
func around(corners [][3]float64, axis int, plane float64, middle [2]float64) float64 {
	across := map[int][2]int{1: {0, 2}, 2: {0, 1}}[axis]
	least := math.Inf(1)
	for _, c := range corners {
		if math.Abs(c[axis]-plane) < 0.02 {
			least = min(least, math.Hypot(c[across[0]]-middle[0], c[across[1]]-middle[1]))
		}
	}
	return 2 * least
}

// Every bore is made as wide as the source's echo and the guide's words say, and as what is bought for it needs.
func TestEnclosureBores(t *testing.T) {
	need.Tool(t, "openscad")
	text, printed, err := runScad(t, "first", "base", "echo")
	require.NoError(t, err, printed)
	said := map[string][]float64{}
	for _, m := range regexp.MustCompile(`ECHO: (\w+) = (.*)`).FindAllStringSubmatch(text, -1) {
		said[m[1]] = numbers(t, m[2])
	}
	bores, base, lid := said["bores"], solid(t, "base"), solid(t, "lid")
	require.Len(t, bores, 5)
	gland, drain, ear, screw, free := bores[0], bores[1], bores[2], bores[3], bores[4]
	const close = 0.05
	for _, x := range said["glands"] {
		assert.InDelta(t, gland, around(base, 1, 0, [2]float64{x, said["gland_up"][0]}), close, "the gland at %g", x)
	}
	at := said["drain_at"]
	assert.InDelta(t, drain, around(base, 1, 0, [2]float64{at[0], at[1]}), close, "the drain")
	source := read(t, "enclosure.scad")
	square, wall := setting(t, source, "ear"), setting(t, source, "wall")
	for _, x := range []float64{square / 2, said["outer"][0] - square/2} {
		for _, y := range []float64{-square / 2, said["outer"][1] + square/2} {
			assert.InDelta(t, ear, around(base, 2, 0, [2]float64{x, y}), close, "the ear at %g, %g", x, y)
		}
	}
	for _, p := range pairs(said["pillars"]) {
		assert.InDelta(t, screw, around(base, 2, wall+setting(t, source, "pillar"), p), close, "the pillar at %v", p)
	}
	over, post := wall+setting(t, source, "gap"), setting(t, source, "post")
	for _, p := range pairs(said["posts"]) {
		middle := [2]float64{p[0] + post/2, p[1] + post/2}
		assert.InDelta(t, screw, around(base, 2, said["outer"][2], middle), close, "the post at %v", p)
		middle = [2]float64{over + middle[0], over + middle[1]}
		assert.InDelta(t, free, around(lid, 2, 0, middle), close, "the lid over the post at %v", p)
	}
	guide := read(t, "README.md")
	thread := number(t, submatch(t, guide, `through a gland \(M(\d+)\)`)[0])
	assert.Greater(t, gland, thread)
	assert.Less(t, gland, thread+1)
	assert.InDelta(t, ear, number(t, submatch(t, guide, `Ears with holes of (\S+) mm`)[0]), 1e-9)
	assert.InDelta(t, drain, number(t, submatch(t, guide, `the drain: a hole of (\S+) mm`)[0]), 1e-9)
	m3 := submatch(t, guide, `on screws M(\d) \((\S+) mm holes for them to cut into`)
	assert.InDelta(t, screw, number(t, m3[1]), 1e-9)
	assert.Less(t, screw, number(t, m3[0]))
	assert.Greater(t, free, number(t, m3[0]))
}

// A board that is none is said as such.
func TestEnclosureOfNoBoard(t *testing.T) {
	_, printed, err := runScad(t, "sideboard", "base", "stl")
	require.Error(t, err, "a board that is none was taken")
	assert.Contains(t, printed, "no board sideboard: use outputs, sensors, modulated or first")
}
