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

// StoredSet is the set of a session or shot on record, to be used again.
type StoredSet struct {
	ID       string
	Set      shot.Set
	interval phys.Time // throw: between the beams
	about    string
	lost     []string // what is not carried over, in sentences
}

// StoredSetEntry is a StoredSet as it is written in JSON.
type StoredSetEntry struct {
	ID      string   `json:"id"`
	Command []string `json:"command"` // words of a command line
	Set     shot.Set `json:"set"`
	Lost    []string `json:"not_carried_over"`
}

// SessionSet returns the set of a session as last changed.
func SessionSet(s record.Session) (StoredSet, error) {
	st := StoredSet{ID: fmt.Sprint(s.ID),
		about: fmt.Sprintf("The set of session %d, %q, as last changed.", s.ID, titleOf(s))}
	if err := st.read(s.Set, "session "+st.ID); err != nil {
		return StoredSet{}, err
	}
	st.damaged(s.Damaged)
	if st.Set.Kind == shot.Throw {
		e, err := st.Set.Estimate()
		if err != nil {
			st.lose("No throw was chosen, and none in the middle of the accepted speeds can be computed: %v.", err)
			return st, nil
		}
		st.interval = e.Interval
	}
	return st, nil
}

// ShotSet returns the set that a shot was made with.
func ShotSet(s record.Shot) (StoredSet, error) {
	st := StoredSet{ID: fmt.Sprintf("%d/%d", s.Session, s.Number), interval: phys.Seconds(time.Duration(s.IntervalNs)),
		about: fmt.Sprintf("The set of shot %d of session %d, %s, whose delay was %s ms.", s.Number, s.Session,
			dateWords(s.At, s.When, "2006-01-02 15:04:05"), inMs(s.DelayNs))}
	if s.Lost {
		return StoredSet{}, fmt.Errorf("shot %s: %s; use the session's set, or another shot's", st.ID, s.Damaged)
	}
	if err := st.read(s.Set, "shot "+st.ID); err != nil {
		return StoredSet{}, err
	}
	st.damaged(s.Damaged)
	st.compareDelay(s)
	return st, nil
}

func inMs(ns int64) string { return fmt.Sprintf("%.3f", float64(ns)/1e6) }

func (st *StoredSet) lose(format string, args ...any) {
	st.lost = append(st.lost, fmt.Sprintf(format, args...))
}

func (st *StoredSet) damaged(how string) {
	if how != "" {
		st.lose("It is damaged: %s.", how)
	}
}

func (st *StoredSet) read(stored, whose string) (err error) {
	unknown, missing, err := shot.CompareFields(stored)
	if err == nil {
		st.Set, err = shot.ParseSet(stored)
	}
	if err != nil {
		return fmt.Errorf("the set of %s cannot be read: %w; \"record export --json\" has it as it is stored", whose, err)
	}
	if len(unknown) > 0 {
		st.lose("Fields that this version does not know: %s.", strings.Join(unknown, ", "))
	}
	if len(missing) > 0 {
		st.lose("Fields that the record does not have, and that are as usual instead: %s.", strings.Join(missing, ", "))
	}
	return nil
}

// compareDelay says by how much the set alone gives another delay than the board had.
func (st *StoredSet) compareDelay(s record.Shot) {
	const same = time.Microsecond // ten ticks of the Linux board
	var e shot.Estimate
	var err error
	if st.Set.Kind == shot.Throw && st.interval > 0 {
		e, err = st.Set.EstimateAt(st.interval)
	} else {
		e, err = st.Set.Estimate()
	}
	if err != nil {
		st.lose("The delay: %v.", err)
		return
	}
	if off := e.Delay.Duration() - time.Duration(s.DelayNs); off.Abs() > same {
		st.lose("The set alone gives a delay of %s ms, %s ms more than the board's. What else makes a delay is not in the "+
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
func (st StoredSet) Command(flagOf map[string]string) []string {
	line := []string{"stillwater", string(st.Set.Kind)}
	usual := map[string]string{}
	for _, v := range shot.DefaultSet().Values() {
		usual[v.Field] = v.Text
	}
	var rest []string
	for _, v := range st.Set.Values() {
		flag, own := flagOf[v.Field]
		switch {
		case own:
			line = append(line, "--"+flag, flagText(v.Text))
		case v.Text != usual[v.Field] && v.Field != "kind":
			rest = append(rest, "--set", v.Field+"="+flagText(v.Text))
		}
	}
	if flag, own := flagOf["interval"]; own && st.interval > 0 {
		line = append(line, "--"+flag, flagText(st.interval.String()))
	}
	return append(line, rest...)
}

// Write writes the set for people: as a command line, and as a file.
func (st StoredSet) Write(w io.Writer, flagOf map[string]string) error {
	fmt.Fprintf(w, "%s\n\n%s\n", render.Printable(st.about), shellLine(st.Command(flagOf)))
	if err := st.WriteLost(w); err != nil {
		return err
	}
	fmt.Fprintf(w, "\nAs a file, for \"stillwater %s --set-file FILE\" (--out FILE writes it):\n\n", st.Set.Kind)
	return st.WriteFile(w)
}

// WriteLost writes what was not carried over, for people; nothing if all was.
func (st StoredSet) WriteLost(w io.Writer) error {
	if st.lost == nil {
		return nil
	}
	_, err := fmt.Fprintf(w, "\nNot carried over:\n- %s\n", render.Printable(strings.Join(st.lost, "\n- ")))
	if err != nil {
		return fmt.Errorf("write a set: %w", err)
	}
	return nil
}

// Drawing draws the set from the side; for a shot of a throw, with that throw.
func (st StoredSet) Drawing() elevation.Drawing {
	return elevation.Draw(st.Set, elevation.Options{Interval: st.interval, Caption: st.about})
}

// WriteFile writes the set as JSON.
func (st StoredSet) WriteFile(w io.Writer) error { return render.JSON(w, st.Set) }

// Entry is the set for scripts.
func (st StoredSet) Entry(flagOf map[string]string) StoredSetEntry {
	return StoredSetEntry{ID: st.ID, Command: st.Command(flagOf), Set: st.Set, Lost: append([]string{}, st.lost...)}
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

// some names the first of a list, and how many more there are.
func some(names []string) string {
	const most = 5
	if len(names) <= most {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
}
