package contactsheet

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"html/template"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"math"
	"slices"
	"strings"

	"stillwater/internal/frames"
	"stillwater/internal/history"
	"stillwater/internal/look"
	"stillwater/internal/match"
	"stillwater/internal/record"
)

// Pick says which frames are on a contact sheet.
type Pick string

// What is on the sheet: all frames, or some.
const (
	All     Pick = "all"
	Keepers Pick = "keepers" // with a star
	Delays  Pick = "delays"  // one for each kind's delay, to the millisecond: a keeper or a good one before others
)

// MarshalText returns the choice as a flag takes it; UnmarshalText reads that.
func (p Pick) MarshalText() ([]byte, error) { return []byte(p), nil }

// UnmarshalText parses the value of a flag; the error lists the choices.
func (p *Pick) UnmarshalText(text []byte) error {
	switch *p = Pick(text); *p {
	case All, Keepers, Delays:
		return nil
	}
	return fmt.Errorf("give %s, %s or %s", All, Keepers, Delays)
}

// picked are the rows of a choice that have a frame which is more than a guess.
func (s *Sheet) picked(pick Pick) (rows []*Row) {
	type place struct {
		kind  string
		delay int
	}
	at := map[place]int{}
	for i := range s.Rows {
		r := &s.Rows[i]
		if r.Frame == nil || r.Sure == match.Open || pick == Keepers && !r.Shot.Star {
			continue
		}
		delay := place{history.KindOf(r.Shot.Set), int(math.Round(float64(r.Shot.DelayNs) / 1e6))}
		before, known := at[delay]
		switch {
		case pick != Delays || !known:
			at[delay] = len(rows)
			rows = append(rows, r)
		case rank(r) > rank(rows[before]):
			rows[before] = r
		}
	}
	return rows
}

// kinds are the kinds of the session's shots, by name.
func (s *Sheet) kinds() (kinds []string) {
	for i := range s.Rows {
		if kind := history.KindOf(s.Rows[i].Shot.Set); kind != "" && !slices.Contains(kinds, kind) {
			kinds = append(kinds, kind)
		}
	}
	slices.Sort(kinds)
	return kinds
}

func rank(r *Row) (n int) {
	if r.Shot.Star {
		n += 2
	}
	if r.Shot.Verdict == record.Good {
		n++
	}
	return n
}

// pageParts are the sheet's page before, at and after each of its pictures, which are made one by one.
const pageParts = `{{define "head"}}<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>{{.Title}}</title>
<style>
:root { color-scheme: dark; --back: #0b0b0c; --text: #d8d4cc; --dim: #a09a90; }
body { background: var(--back); color: var(--text); font: 15px/1.4 sans-serif; margin: 1.2rem; }
h1 { font-size: 1.3rem; margin: 0 } p { color: var(--dim); margin: .2rem 0 1rem }
main { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 14rem), 1fr)); gap: 1rem }
figure { margin: 0; break-inside: avoid } img { width: 100%; height: auto; display: block }
.none { aspect-ratio: 3/2; border: 1px dashed var(--dim); display: grid; place-items: center; padding: .5rem;
  color: var(--dim); font-size: .85rem; text-align: center; overflow-wrap: anywhere }
figcaption { font-size: .85rem; margin-top: .3rem; overflow-wrap: anywhere } figcaption span { color: var(--dim) }
@media print {
  :root { color-scheme: light; --back: #fff; --text: #000; --dim: #444 }
  @page { margin: 12mm } body { margin: 0; font-size: 9pt }
  main { grid-template-columns: repeat(4, 1fr); gap: 5mm 4mm }
}
</style></head><body><h1>{{.Title}}</h1><p>{{.Words}}</p><main>
{{end}}{{define "frame"}}<figure>{{if .Source}}<img src="{{.Source}}" width="{{.Width}}" height="{{.Height}}"
 alt="{{.Name}}: {{.Words}}">{{else}}<div class="none">{{.Problem}}</div>{{end}}
<figcaption><b>{{.Shot}}</b> {{.Words}}<br><span>{{.Name}}{{with .Note}} · {{.}}{{end}}</span></figcaption></figure>
{{end}}{{define "foot"}}</main></body></html>
{{end}}`

// figure is one picture of the page.
type figure struct {
	Shot                       int
	Words, Name, Note, Problem string
	Source                     template.URL
	Width, Height              int
}

// WriteHTML writes the contact sheet, one page with all that it needs in it. Pictures are read one at a time. One that
// cannot be read is named in its place.
func (s *Sheet) WriteHTML(ctx context.Context, w io.Writer, folder *frames.Folder, pick Pick) error {
	page, err := template.New("").Parse(pageParts)
	if err != nil {
		return err
	}
	rows := s.picked(pick)
	done := s.progress(len(rows))
	words := fmt.Sprintf("Session %d, %s. Frames: %d of %d shots (%s).", s.Session.ID,
		s.Session.Started.Format("2 January 2006"), len(rows), len(s.Rows), pick)
	kinds := s.kinds()
	if len(kinds) > 1 {
		words += fmt.Sprintf(" Kinds: %s.", strings.Join(kinds, ", "))
	}
	if err := page.ExecuteTemplate(w, "head", map[string]string{"Title": s.Session.Title(), "Words": words}); err != nil {
		return fmt.Errorf("write the contact sheet: %w", err)
	}
	for i, r := range rows {
		f, err := s.figure(ctx, r, folder)
		if kind := history.KindOf(r.Shot.Set); kind != "" && len(kinds) > 1 {
			f.Words = kind + ", " + f.Words
		}
		if err == nil {
			err = page.ExecuteTemplate(w, "frame", f)
		}
		if err != nil {
			return fmt.Errorf("write the contact sheet: %w", err)
		}
		done(i + 1)
	}
	if err := page.ExecuteTemplate(w, "foot", nil); err != nil {
		return fmt.Errorf("write the contact sheet: %w", err)
	}
	return nil
}

const (
	thumbnailSide    = 480 // px, the longer one
	thumbnailQuality = 82
)

func (s *Sheet) figure(ctx context.Context, r *Row, folder *frames.Folder) (figure, error) {
	words := append([]string{fmt.Sprintf("%.1f ms", float64(r.Shot.DelayNs)/1e6)}, history.Remarks(r.Shot)...)
	if r.Sure != match.Certain {
		words = append(words, "frame only "+string(r.Sure))
	}
	f := figure{Shot: r.Shot.Number, Words: strings.Join(words, ", "), Name: oneLine(r.Frame.Name), Note: r.Shot.Note}
	small, p, err := s.picture(ctx, folder, r)
	if ctx.Err() != nil {
		return f, ctx.Err()
	}
	if err != nil {
		f.Problem = oneLine(err.Error())
		return f, nil
	}
	f.Words += remarks(&p)
	f.Source = template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(small))
	f.Width, f.Height = p.Width, p.Height
	return f, nil
}

// remarks are what a frame shows by its light alone: that it is black, or burnt out.
func remarks(p *pictured) (words string) {
	for _, reason := range look.Suggest(look.Seen{Tones: p.Tones}, 0).Reasons {
		words += "; " + reason
	}
	return words
}

// maxSamples of a picture's pixels go into one of the smaller one's, along each side.
const maxSamples = 4

// Preview is a picture, a JPEG, turned as its EXIF orientation says and with its longer side at most so many pixels.
func Preview(img image.Image, orientation, side int) ([]byte, error) {
	return encoded(smaller(img, orientation, side))
}

func encoded(img image.Image) ([]byte, error) {
	var b bytes.Buffer
	err := jpeg.Encode(&b, img, &jpeg.Options{Quality: thumbnailQuality})
	return b.Bytes(), err
}

// smaller is a picture made smaller and turned as its EXIF orientation says.
func smaller(img image.Image, orientation, side int) *image.RGBA {
	from := img.Bounds()
	width, height := from.Dx(), from.Dy()
	if orientation >= 5 {
		width, height = height, width
	}
	scale := max(float64(max(width, height))/float64(side), 1)
	out := image.NewRGBA(image.Rect(0, 0, max(int(float64(width)/scale), 1), max(int(float64(height)/scale), 1)))
	samples := min(max(int(scale), 1), maxSamples)
	for y := range out.Rect.Dy() {
		for x := range out.Rect.Dx() {
			var sum [3]uint32
			for i := range samples * samples {
				u := (float64(x) + (float64(i%samples)+0.5)/float64(samples)) / float64(out.Rect.Dx())
				v := (float64(y) + (float64(i/samples)+0.5)/float64(samples)) / float64(out.Rect.Dy())
				u, v = stored(u, v, orientation)
				r, g, b, _ := img.At(from.Min.X+int(u*float64(from.Dx())), from.Min.Y+int(v*float64(from.Dy()))).RGBA()
				sum[0], sum[1], sum[2] = sum[0]+r>>8, sum[1]+g>>8, sum[2]+b>>8
			}
			n := uint32(samples * samples)
			out.SetRGBA(x, y, color.RGBA{byte(sum[0] / n), byte(sum[1] / n), byte(sum[2] / n), 255})
		}
	}
	return out
}

// stored maps a place in a picture as shown, u from the left and v from the top, both from 0 to 1, to its place in the
// picture as stored (CIPA DC-008, Orientation).
func stored(u, v float64, orientation int) (float64, float64) {
	switch orientation {
	case 2:
		return 1 - u, v
	case 3:
		return 1 - u, 1 - v
	case 4:
		return u, 1 - v
	case 5:
		return v, u
	case 6:
		return v, 1 - u
	case 7:
		return 1 - v, 1 - u
	case 8:
		return 1 - v, u
	}
	return u, v
}
