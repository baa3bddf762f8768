package export

import (
	"fmt"
	"io"
	"regexp"
	"strings"
	"time"

	"stillwater/internal/elevation"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// Again is the set of a session or of a shot, to be used once more.
type Again struct {
	ID       string
	Set      shot.Set
	interval phys.Time // throw: between the beams
	about    string
	lost     []string // what is not carried over, in sentences
}

// AgainEntry is an Again as it is written in JSON.
type AgainEntry struct {
	ID      string   `json:"id"`
	Command []string `json:"command"` // words of a command line
	Set     shot.Set `json:"set"`
	Lost    []string `json:"not_carried_over"`
}

// AgainSession has the set of a session as last changed.
func AgainSession(s record.Session) (Again, error) {
	a := Again{ID: fmt.Sprint(s.ID), about: fmt.Sprintf("The set of session %d, %q, as last changed.", s.ID, titleOf(s))}
	if err := a.read(s.Set, "session "+a.ID); err != nil {
		return Again{}, err
	}
	a.damaged(s.Damaged)
	if a.Set.Kind == shot.Throw {
		e, err := a.Set.Estimate()
		if err != nil {
			a.lose("No throw was chosen, and none in the middle of the accepted speeds can be computed: %v.", err)
			return a, nil
		}
		a.interval = e.Interval
	}
	return a, nil
}

// AgainShot has the set that a shot was made with.
func AgainShot(s record.Shot) (Again, error) {
	a := Again{ID: fmt.Sprintf("%d/%d", s.Session, s.Number), interval: phys.Seconds(time.Duration(s.IntervalNs)),
		about: fmt.Sprintf("The set of shot %d of session %d, %s, whose delay was %s ms.", s.Number, s.Session,
			dateWords(s.At, s.When, "2006-01-02 15:04:05"), inMs(s.DelayNs))}
	if s.Lost {
		return Again{}, fmt.Errorf("shot %s: %s; use the session's set, or another shot's", a.ID, s.Damaged)
	}
	if err := a.read(s.Set, "shot "+a.ID); err != nil {
		return Again{}, err
	}
	a.damaged(s.Damaged)
	a.compareDelay(s)
	return a, nil
}

func inMs(ns int64) string { return fmt.Sprintf("%.3f", float64(ns)/1e6) }

func (a *Again) lose(format string, args ...any) {
	a.lost = append(a.lost, fmt.Sprintf(format, args...))
}

func (a *Again) damaged(how string) {
	if how != "" {
		a.lose("It is damaged: %s.", how)
	}
}

func (a *Again) read(stored, whose string) (err error) {
	unknown, missing, err := shot.CompareFields(stored)
	if err == nil {
		a.Set, err = shot.ParseSet(stored)
	}
	if err != nil {
		return fmt.Errorf("the set of %s cannot be read: %w; \"record export --json\" has it as it is stored", whose, err)
	}
	if len(unknown) > 0 {
		a.lose("Fields that this version does not know: %s.", strings.Join(unknown, ", "))
	}
	if len(missing) > 0 {
		a.lose("Fields that the record does not have, and that are as usual instead: %s.", strings.Join(missing, ", "))
	}
	return nil
}

// compareDelay says by how much the set alone gives another delay than the board had.
func (a *Again) compareDelay(s record.Shot) {
	const same = time.Microsecond // ten ticks of the Linux board
	var e shot.Estimate
	var err error
	if a.Set.Kind == shot.Throw && a.interval > 0 {
		e, err = a.Set.EstimateAt(a.interval)
	} else {
		e, err = a.Set.Estimate()
	}
	if err != nil {
		a.lose("The delay: %v.", err)
		return
	}
	if off := e.Delay.Duration() - time.Duration(s.DelayNs); off.Abs() > same {
		a.lose("The set alone gives a delay of %s ms, %s ms more than the board's. What else makes a delay is not in the "+
			"set: a sensor's own delay (in the configuration), and for a throw the rounding of the board's table.",
			inMs(int64(e.Delay.Duration())), inMs(int64(off)))
	}
}

var quantityText = regexp.MustCompile(`^([-+]?[0-9][-+.0-9e]*) ?([^-+.0-9e\s]\S*)$`)

// flagText is a value as it can be typed without quotes.
func flagText(text string) string {
	if m := quantityText.FindStringSubmatch(text); m != nil {
		return m[1] + strings.NewReplacer("°C", "C", "°", "deg", "µ", "u").Replace(m[2])
	}
	return text
}

// Command is the command line that has this set: the flags of the kind's command, which flagOf has by field, and what
// differs from the usual set.
func (a Again) Command(flagOf map[string]string) []string {
	line := []string{"stillwater", string(a.Set.Kind)}
	usual := map[string]string{}
	for _, v := range shot.DefaultSet().Values() {
		usual[v.Field] = v.Text
	}
	var rest []string
	for _, v := range a.Set.Values() {
		flag, own := flagOf[v.Field]
		switch {
		case own:
			line = append(line, "--"+flag, flagText(v.Text))
		case v.Text != usual[v.Field] && v.Field != "kind":
			rest = append(rest, "--set", v.Field+"="+flagText(v.Text))
		}
	}
	if flag, own := flagOf["interval"]; own && a.interval > 0 {
		line = append(line, "--"+flag, flagText(a.interval.String()))
	}
	return append(line, rest...)
}

// Write writes the set for people: as a command line, and as a file.
func (a Again) Write(w io.Writer, flagOf map[string]string) error {
	fmt.Fprintf(w, "%s\n\n%s\n", render.Printable(a.about), shellLine(a.Command(flagOf)))
	if err := a.WriteLost(w); err != nil {
		return err
	}
	fmt.Fprintf(w, "\nAs a file, for \"stillwater %s --set-file FILE\" (--out FILE writes it):\n\n", a.Set.Kind)
	return a.WriteFile(w)
}

// WriteLost writes what was not carried over, for people; nothing if all was.
func (a Again) WriteLost(w io.Writer) error {
	if a.lost == nil {
		return nil
	}
	_, err := fmt.Fprintf(w, "\nNot carried over:\n- %s\n", render.Printable(strings.Join(a.lost, "\n- ")))
	if err != nil {
		return fmt.Errorf("write a set: %w", err)
	}
	return nil
}

// Drawing is the set as seen from the side; of a shot's, with the throw that it was.
func (a Again) Drawing() elevation.Drawing {
	return elevation.Draw(a.Set, elevation.Options{Interval: a.interval, Caption: a.about})
}

// WriteFile writes the set as JSON.
func (a Again) WriteFile(w io.Writer) error { return render.JSON(w, a.Set) }

// Entry is a for scripts.
func (a Again) Entry(flagOf map[string]string) AgainEntry {
	return AgainEntry{ID: a.ID, Command: a.Command(flagOf), Set: a.Set, Lost: append([]string{}, a.lost...)}
}

var plainWord = regexp.MustCompile(`^[-+.,:=/@%_A-Za-z0-9]+$`)

// shellLine joins words as a shell takes them apart.
func shellLine(words []string) string {
	quoted := make([]string, len(words))
	for i, w := range words {
		quoted[i] = w
		if !plainWord.MatchString(w) {
			quoted[i] = "'" + strings.ReplaceAll(w, "'", `'\''`) + "'"
		}
	}
	return strings.Join(quoted, " ")
}

// ReadSetFile reads what WriteFile wrote, or a person after it: a set of this kind. It has every field.
func ReadSetFile(text []byte, kind shot.Kind) (shot.Set, error) {
	unknown, missing, err := shot.CompareFields(string(text))
	if err != nil {
		return shot.Set{}, fmt.Errorf("it is no set in JSON: %w; write one by \"stillwater record again ID --out FILE\"", err)
	}
	if len(unknown) > 0 {
		return shot.Set{}, fmt.Errorf("%s: there is no such field; take it out", strings.Join(unknown, ", "))
	}
	if len(missing) > 0 {
		return shot.Set{}, fmt.Errorf("%s: not there; write them as \"stillwater record again ID --out FILE\" does",
			strings.Join(missing, ", "))
	}
	set, err := shot.ParseSet(string(text))
	if err == nil && set.Kind != kind {
		err = fmt.Errorf("kind: it is the set of a %s; use stillwater %s", set.Kind, set.Kind)
	}
	return set, err
}
