package setup

import (
	"fmt"
	"html"
	"slices"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/sentence"
	"stillwater/internal/svg"
)

// Joint is one wire between the board and what is connected to it.
type Joint struct {
	Part     string `json:"part"`     // "beam"; "" for a supply
	What     string `json:"what"`     // in words
	Pin      string `json:"pin"`      // "GPIO27", "PB0", "gpiochip0:17", "5 V"
	Position string `json:"position"` // on the header, or the chip's leg; "" if it is on neither
	Signal   string `json:"signal"`   // on the hardware folder's boards
}

// Wiring is what is connected, for a list and drawings.
type Wiring struct {
	Board  config.Kind `json:"board"`
	Joints []Joint     `json:"joints"`
	Notes  []string    `json:"notes"` // what is to be known of it
}

// WiringOf is the wiring that answers amount to. A timing board has its pins built in: all of them are shown.
func WiringOf(a Answers) Wiring {
	w := Wiring{Board: a.Board, Joints: []Joint{}, Notes: []string{}}
	if a.Board != config.GPIO && a.Board != config.Serial {
		w.Notes = append(w.Notes, "nothing is wired: the simulated room has its own sensors and outputs")
		return w
	}
	w.supplies(a.Board)
	for _, p := range Parts() {
		pin, at := a.Pins[p.Name], ""
		if a.Board == config.Serial {
			pin = p.Port
		}
		for position, name := range positions(a.Board) {
			if pin != "" && (name == pin || "P1_"+position == pin) {
				pin, at = name, position
			}
		}
		if p.Missing != "" && (pin == "" || a.Board == config.Serial) {
			w.Notes = append(w.Notes, p.Missing)
		}
		if pin == "" {
			continue
		}
		w.Joints = append(w.Joints, Joint{p.Name, p.What, pin, at, strings.ToUpper(p.Name)})
	}
	if a.Board == config.Serial {
		w.Notes = append(w.Notes, "the timing board's pins are built in: connect what you have, the others stay free",
			"as long as its kill switch is open or not there, the timing board fires nothing")
	} else {
		w.Notes = append(w.Notes, "an input must never see more than 3.3 V")
		if a.Pins["beam"]+a.Pins["microphone"]+a.Pins["valve1"]+a.Pins["valve2"] == "" {
			w.Notes = append(w.Notes, "with no beam, microphone or valve nothing can begin a shot")
		}
	}
	w.Notes = append(w.Notes,
		"low voltage only; camera and flashes through their optocouplers, nothing here switches mains")
	return w
}

// supplies are the wires that every board of the hardware folder wants.
func (w *Wiring) supplies(kind config.Kind) {
	w.Joints = []Joint{{"", "supply of the boards", "5 V", "2", "V5_IN"}, {"", "level of the pins", "3.3 V", "1", "VIO"},
		{"", "common of the boards, of nothing else", "GND", "6", "GND"}}
	if kind == config.Serial {
		w.Joints = []Joint{{"", "supply of the boards, from the socket marked 5V", "5 V", "", "V5_IN"},
			{"", "level of the pins", "VCC", "7", "VIO"}, {"", "common of the boards, of nothing else", "GND", "8", "GND"}}
	}
}

// positions are what is at each position of a kind of board.
func positions(kind config.Kind) map[string]string {
	if kind == config.Serial {
		return dil28
	}
	all := map[string]string{}
	for at, name := range header40 {
		all[strings.TrimPrefix(at, "P1_")] = name
	}
	return all
}

// Rows are the wiring as a table with its heading.
func (w Wiring) Rows() (heading []string, rows [][]string) {
	at := "position"
	if w.Board == config.Serial {
		at = "leg"
	}
	for _, j := range w.Joints {
		rows = append(rows, []string{at + " " + j.Position, j.Pin, j.Signal, j.What})
		if j.Position == "" {
			rows[len(rows)-1][0] = ""
		}
	}
	return []string{"where", "pin", "signal", "what"}, rows
}

// label is what is connected at a position, "" for nothing.
func (w Wiring) label(position string) string {
	for _, j := range w.Joints {
		if j.Position == position {
			return j.Signal
		}
	}
	return ""
}

// elsewhere are the wires to pins that the drawing has not.
func (w Wiring) elsewhere() (all []Joint) {
	return slices.DeleteFunc(slices.Clone(w.Joints), func(j Joint) bool { return j.Position != "" })
}

// Text draws the wiring for a terminal of 80 columns: the header as one looks at it with position 1 at the top left.
func (w Wiring) Text() string {
	if len(w.Joints) == 0 {
		return ""
	}
	var out strings.Builder
	for _, row := range columns(w.Board == config.Serial) {
		var left, right string
		if name := w.label(row[0].position); name != "" {
			left = name + " <---"
		}
		if name := w.label(row[1].position); name != "" {
			right = "---> " + name
		}
		line := fmt.Sprintf("%20s %8s (%2s)(%2s) %-8s %s", left, row[0].name, row[0].position, row[1].position,
			row[1].name, right)
		out.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	for _, j := range w.elsewhere() {
		fmt.Fprintf(&out, "%20s <--- %s\n", j.Signal, j.Pin)
	}
	return out.String()
}

// The drawing's measures in millimetres: the header three times as large as it is.
const (
	rowPitch  = 7.62
	sheetWide = 190.0
	headTop   = 26.0
	footLeft  = 12.0
	letter    = 3.2
	boldness  = 1.15 // how much wider bold letters are: 14 % in DejaVu Sans, from memory
)

// footLine is one line below the header.
type footLine struct{ class, words string }

// foot is what stands below the header, in lines that fit: the wires to pins that the drawing has not, and the notes.
func (w Wiring) foot() (all []footLine) {
	const wide = sheetWide - 2*footLeft
	for _, j := range w.elsewhere() {
		for _, line := range svg.Wrap(fmt.Sprintf("%s: %s (%s)", j.Signal, j.Pin, j.What), letter*boldness, wide) {
			all = append(all, footLine{"s", line})
		}
	}
	for _, note := range w.Notes {
		for _, line := range svg.Wrap(sentence.From(note), letter, wide) {
			all = append(all, footLine{"", line})
		}
	}
	return all
}

// SVG draws the wiring: the header three times its size, a line to the name of each signal, and what it is.
func (w Wiring) SVG() string {
	rows := columns(w.Board == config.Serial)
	foot := headTop + float64(len(rows))*rowPitch + 6
	lines := w.foot()
	high := foot + 6*float64(len(lines)) + 6
	var out strings.Builder
	f := func(format string, args ...any) { fmt.Fprintf(&out, format+"\n", args...) }
	text := func(x, y float64, anchor, class, words string) {
		f(`<text x="%.2f" y="%.2f" text-anchor="%s" class="%s">%s</text>`, x, y, anchor, class, html.EscapeString(words))
	}
	f(`<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g" role="img">`,
		sheetWide, high, sheetWide, high)
	f("<title>Wiring of the board</title>\n<desc>%s</desc>", html.EscapeString(w.inWords()))
	f("<style>text{font-family:Arial,Helvetica,sans-serif;font-size:%gpx;fill:#000}.t{font-size:5px;font-weight:bold}"+
		".g{fill:#555}.s{font-weight:bold}.n{font-size:2.6px}line{stroke:#222;stroke-width:.5}"+
		"rect{fill:none;stroke:#222;stroke-width:.4}rect.used{fill:#222}text.used{fill:#fff}</style>", letter)
	f(`<rect width="100%%" height="100%%" style="fill:#fff;stroke:none"/>`)
	text(sheetWide/2, 9, "middle", "t", w.title())
	text(sheetWide/2, 16, "middle", "g",
		"Position 1 is at the top left. Black: used. Low voltage only; simulated, not built.")
	const middle, half = sheetWide / 2, rowPitch / 2
	if len(w.Joints) > 0 {
		f(`<rect x="%.2f" y="%.2f" width="%.2f" height="%.2f"/>`, middle-rowPitch-1, headTop-1, 2*rowPitch+2,
			float64(len(rows))*rowPitch+2)
	} else {
		rows = nil
	}
	for i, row := range rows {
		y := headTop + (float64(i)+0.5)*rowPitch
		for side, at := range row {
			direction, anchor := float64(2*side-1), []string{"end", "start"}[side]
			x, signal, class := middle+direction*half, w.label(at.position), "n"
			if signal != "" {
				f(`<rect class="used" x="%.2f" y="%.2f" width="5.4" height="5.4"/>`, x-2.7, y-2.7)
				f(`<line x1="%.2f" y1="%.2f" x2="%.2f" y2="%.2f"/>`, x+direction*23, y, x+direction*38, y)
				text(x+direction*40, y+1.1, anchor, "s", signal)
				class = "n used"
			} else {
				f(`<rect x="%.2f" y="%.2f" width="5.4" height="5.4"/>`, x-2.7, y-2.7)
			}
			text(x, y+0.95, "middle", class, at.position)
			text(x+direction*6, y+1.1, anchor, "g", at.name)
		}
	}
	for _, line := range lines {
		text(footLeft, foot, "start", line.class, line.words)
		foot += 6
	}
	f("</svg>")
	return out.String()
}

func (w Wiring) title() string {
	switch w.Board {
	case config.GPIO:
		return "What is connected to the 40-pin header"
	case config.Serial:
		return "What the timing board's legs are for"
	}
	return "Nothing is connected"
}

// inWords says the wiring to who cannot see it.
func (w Wiring) inWords() string {
	var words []string
	_, rows := w.Rows()
	for _, r := range rows {
		words = append(words, strings.TrimSpace(strings.Join(r, " ")))
	}
	return w.title() + ". " + strings.Join(words, "; ") + "."
}
