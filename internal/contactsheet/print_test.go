package contactsheet

import (
	"fmt"
	"image"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/need"
	"stillwater/internal/record"
)

// frameGrey is the level of framestest.Plain.
const frameGrey = 120

// printed are the contact sheet's pages as a browser prints them, 72 dots an inch.
func printed(t *testing.T, sheet string) (pages []*image.Gray) {
	t.Helper()
	browser := need.Tool(t, "chromium-headless-shell", "chromium", "chromium-browser")
	rasterise := need.Tool(t, "pdftoppm")
	dir := t.TempDir()
	pdf := filepath.Join(dir, "sheet.pdf")
	for _, args := range [][]string{
		{browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
			"--user-data-dir=" + filepath.Join(dir, "profile"), "--print-to-pdf=" + pdf, "file://" + sheet},
		{rasterise, "-r", "72", "-png", pdf, filepath.Join(dir, "page")},
	} {
		out, err := exec.CommandContext(t.Context(), args[0], args[1:]...).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	names, err := filepath.Glob(filepath.Join(dir, "page*.png"))
	require.NoError(t, err)
	slices.Sort(names)
	for _, name := range names {
		f, err := os.Open(name)
		require.NoError(t, err)
		img, err := png.Decode(f)
		require.NoError(t, err)
		require.NoError(t, f.Close())
		page := image.NewGray(img.Bounds())
		for y := range page.Rect.Dy() {
			for x := range page.Rect.Dx() {
				page.Set(x, y, img.At(x, y))
			}
		}
		pages = append(pages, page)
		if keep := os.Getenv("STILLWATER_PICTURES"); keep != "" {
			content, err := os.ReadFile(name)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(keep, "sheet-"+filepath.Base(name)), content, 0o666))
		}
	}
	return pages
}

// picturesOn are the pieces of frames on a page, each a rectangle of their grey.
func picturesOn(page *image.Gray) (pieces []image.Rectangle) {
	is := func(x, y int) bool {
		level := int(page.GrayAt(x, y).Y)
		return image.Pt(x, y).In(page.Rect) && level > frameGrey-6 && level < frameGrey+6
	}
	for y := range page.Rect.Dy() {
		for x := range page.Rect.Dx() {
			const least = 12 // dots: letters have their greys too
			inOne := slices.ContainsFunc(pieces, func(p image.Rectangle) bool { return image.Pt(x, y).In(p) })
			if !is(x, y) || inOne {
				continue
			}
			right, below := x, y
			for is(right, y) {
				right++
			}
			for is(x, below) {
				below++
			}
			if right-x >= least && below > y+1 {
				pieces = append(pieces, image.Rect(x, y, right, below))
			}
		}
	}
	return pieces
}

// TestPrint: a contact sheet of many frames is printed black on white, on as few pages as they ask for; none is cut in
// two.
func TestPrint(t *testing.T) {
	const count, columns, margin = 30, 4, 34 // margin: 12 mm in dots
	dir := t.TempDir()
	start := time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)
	var made shots
	for i := range count {
		at := start.Add(time.Duration(20*i+i*i%7) * time.Second)
		made = append(made, record.Shot{ID: int64(i + 1), Number: i + 1, At: at, DelayNs: int64(90+i) * 1e6,
			When: record.When{Number: 1}})
		content := framestest.WithExif(framestest.Plain(60, 40), at.Format("2006:01:02 15:04:05"), "")
		require.NoError(t, os.WriteFile(filepath.Join(dir, fmt.Sprintf("PICT%04d.JPG", 500+i)), content, 0o666))
	}
	folder, err := frames.Open(dir)
	require.NoError(t, err)
	defer folder.Close()
	s, err := Make(t.Context(), made, record.Summary{Session: record.Session{ID: 4}}, folder, Options{})
	require.NoError(t, err)
	file, err := os.Create(filepath.Join(t.TempDir(), "sheet.html"))
	require.NoError(t, err)
	require.NoError(t, s.WriteHTML(t.Context(), file, folder, All))
	require.NoError(t, file.Close())

	pages := printed(t, file.Name())
	var figures []int
	for n, page := range pages {
		pieces := picturesOn(page)
		figures = append(figures, len(pieces))
		if n < len(pages)-1 {
			require.GreaterOrEqual(t, len(pieces), 2*columns, "page %d: two rows of upright frames at least", n+1)
			assert.Zero(t, len(pieces)%columns, "page %d: whole rows", n+1)
			row := pieces[columns].Min.Y - pieces[0].Min.Y
			last := pieces[len(pieces)-1].Min.Y
			assert.Greater(t, last+2*row, page.Rect.Dy()-margin, "page %d: there is no room for one more row", n+1)
		}
		for _, p := range pieces {
			assert.InDelta(t, 1.5, float64(p.Dy())/float64(p.Dx()), 0.05, "page %d: whole, which is upright: %v", n+1, p)
		}
		white := 0
		for _, level := range page.Pix {
			if level == 255 {
				white++
			}
		}
		assert.Equal(t, color.Gray{Y: 255}, page.GrayAt(2, 2), "page %d: the paper stays white", n+1)
		assert.Greater(t, float64(white)/float64(len(page.Pix)), 0.3, "page %d", n+1)
		assert.True(t, slices.ContainsFunc(page.Pix, func(level uint8) bool { return level < 60 }), "page %d: the words "+
			"are black", n+1)
	}
	t.Logf("figures by page: %v", figures)
	total := 0
	for _, on := range figures {
		total += on
	}
	assert.Equal(t, count, total, "each frame is there once")
}
