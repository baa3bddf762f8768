package circuit

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// FaultGuide is the guide's section on faults: how many there are of each verdict, and those that are unsafe.
func FaultGuide(lines []FaultLine) string {
	count := map[Verdict]int{}
	for _, l := range lines {
		count[l.Verdict]++
	}
	var out strings.Builder
	fmt.Fprintf(&out, "%d faults, simulated one at a time:", len(lines))
	for _, v := range Verdicts() {
		if v != Undecided || count[v] > 0 {
			fmt.Fprintf(&out, " %d %s,", count[v], v)
		}
	}
	text := strings.TrimSuffix(out.String(), ",") + ".\n"
	text += unsafeFaults("Unsafe and hidden: the rig works, and only the check finds it.", lines, UnsafeHidden)
	text += unsafeFaults("Unsafe, but the rig does not do what it is asked:", lines, UnsafeNoticed)
	var blind []string
	for _, l := range lines {
		if l.KillInputBlind && l.Verdict == StillSafe {
			blind = append(blind, l.Ref+" "+l.Fault)
		}
	}
	if len(blind) > 0 {
		text += "\nThe kill switch releases, but its input does not tell the controller: " + strings.Join(blind, "; ") + ".\n"
	}
	return text
}

// unsafeFaults is a table of the faults of a verdict, with one line for those of a part that leave the same outputs on.
func unsafeFaults(title string, lines []FaultLine, v Verdict) string {
	type outcome struct{ ref, stopped, killed string }
	var outcomes []outcome
	faults := map[outcome][]string{}
	for _, l := range lines {
		if l.Verdict != v {
			continue
		}
		key := outcome{l.Ref, stopped(l.Ways), l.Ways[2]}
		if faults[key] == nil {
			outcomes = append(outcomes, key)
		}
		faults[key] = append(faults[key], l.Fault)
	}
	var rows []string
	for _, o := range outcomes {
		rows = append(rows, fmt.Sprintf("| %s | %s | %s | %s |", o.ref, strings.Join(faults[o], "; "), o.stopped, o.killed))
	}
	if len(rows) == 0 {
		return ""
	}
	return "\n" + title + "\n\n| part | fault | 200 ms after the heartbeat stopped | 200 ms after the kill switch " +
		"opened |\n|---|---|---|---|\n" + strings.Join(rows, "\n") + "\n"
}

// stopped lists what stays on after the heartbeat has stopped high and low.
func stopped(ways []string) string {
	if ways[0] == ways[1] {
		return ways[0]
	}
	return "high: " + ways[0] + "; low: " + ways[1]
}

// Band is the steady effect of a square wave, in place of the heartbeat, on the 5 V rail.
type Band struct {
	Hertz             float64
	Least, Mean, Most float64 // of V5_ARM, volts

	read string // the state in the table it was read from, which was made before rounding; "" if not read from one
}

// The states of a rail, and the voltage from which it is on.
const (
	railDark, railOn, railIntermittent = "dark", "on", "comes and goes"

	onV5 = 4 // most that is driven from 5 V logic works from there on (own choice)
)

func (b Band) String() string {
	switch {
	case b.read != "":
		return b.read
	case b.Most <= darkV5:
		return railDark
	case b.Least > onV5:
		return railOn
	}
	return railIntermittent
}

// mayBe reports whether some values that round to those of b have this state.
func (b Band) mayBe(rail string) bool {
	switch rail {
	case railDark:
		return b.Most <= darkV5
	case railOn:
		return b.Most >= darkV5 && b.Least >= onV5
	}
	return rail == railIntermittent && b.Most >= darkV5 && b.Least <= onV5
}

var bandHead = []string{"frequency Hz", "V5_ARM least V", "mean V", "most V", "the rail"}

// BandTable writes bands as CSV.
func BandTable(list []Band) string {
	rows := [][]string{bandHead}
	for _, b := range list {
		rows = append(rows, []string{strconv.FormatFloat(b.Hertz, 'f', -1, 64), volts1(b.Least), volts1(b.Mean),
			volts1(b.Most), b.String()})
	}
	return "# A square wave in place of the heartbeat, simulated at the typical corner: go run ./hardware/gen -faults. " +
		"Nothing was measured on hardware.\n" + strings.TrimPrefix(writeCSV(rows), generated)
}

// volts1 formats volts with one decimal, without a negative zero.
func volts1(x float64) string { return strconv.FormatFloat(max(x, 0), 'f', 1, 64) }

// BandGuide is the guide's section on bands.
func BandGuide(list []Band) (string, error) {
	on := func(b Band) bool { return b.String() == railOn }
	first := slices.IndexFunc(list, on)
	if first < 0 {
		return "", fmt.Errorf("no frequency keeps the rails on: the heartbeat's own should")
	}
	last := first
	for last+1 < len(list) && on(list[last+1]) {
		last++
	}
	if last+1 < len(list) && slices.ContainsFunc(list[last+1:], on) {
		return "", fmt.Errorf("the frequencies that keep the rails on are not one band, as the guide says they are")
	}
	words := fmt.Sprintf("Of the simulated square waves those from %s to %s keep the rails on", hertz(list[first].Hertz),
		hertz(list[last].Hertz))
	for i, b := range list {
		if i < first && b.String() != railDark {
			words += fmt.Sprintf("; at %s they come and go", hertz(b.Hertz))
		}
	}
	if first > 0 {
		words += fmt.Sprintf("; %s is not enough", hertz(lastDark(list[:first])))
	}
	if last+1 < len(list) {
		words += fmt.Sprintf("; %s is too fast", hertz(list[last+1].Hertz))
	}
	return words + ".\n", nil
}

// lastDark is the last frequency of a list at which the rail is dark, 0 for none.
func lastDark(list []Band) (hertz float64) {
	for _, b := range list {
		if b.String() == railDark {
			hertz = b.Hertz
		}
	}
	return hertz
}

// hertz formats a frequency.
func hertz(x float64) string {
	switch {
	case x >= 1e6:
		return fmt.Sprintf("%g MHz", x/1e6)
	case x >= 1e3:
		return fmt.Sprintf("%g kHz", x/1e3)
	}
	return fmt.Sprintf("%g Hz", x)
}

// ParseBands parses BandTable's output.
func ParseBands(text string) (list []Band, err error) {
	table, err := readHeaded("bands", text, bandHead)
	if err != nil {
		return nil, err
	}
	for _, t := range table {
		b := Band{read: t[4]}
		for i, to := range []*float64{&b.Hertz, &b.Least, &b.Mean, &b.Most} {
			if *to, err = finite(t[i]); err != nil {
				return nil, fmt.Errorf("bands: %s Hz: %w", t[0], err)
			}
		}
		switch {
		case !(b.Hertz > 0 && b.Least >= 0 && b.Least <= b.Mean && b.Mean <= b.Most):
			return nil, fmt.Errorf("bands: %s Hz: %s, %s and %s V are not in order from 0 on", t[0], t[1], t[2], t[3])
		case !b.mayBe(b.read):
			return nil, fmt.Errorf("bands: %s Hz: from %s to %s V the rail is not %q", t[0], t[1], t[3], b.read)
		}
		list = append(list, b)
	}
	return list, nil
}
