package circuit

import (
	"encoding/csv"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// Limit is the range that a measured value of a deck must keep at every corner, and why. A reason that begins with
// reported is of a value that the guide states and nothing depends on: it has no limit.
type Limit struct {
	Deck, Measure, Unit string
	Low, High           float64 // SI; infinite where there is no limit
	Reason              string
}

const reported = "reported: "

// Limits parses the table of limits: deck, measure, unit, low, high, reason. An empty low or high is no limit.
func Limits(text string) (list []Limit, err error) {
	table, err := readTable("limits", text, 6)
	if err != nil {
		return nil, err
	}
	seen := map[string]bool{}
	for _, r := range table {
		l := Limit{Deck: r[0], Measure: r[1], Unit: r[2], Low: math.Inf(-1), High: math.Inf(1), Reason: r[5]}
		for i, to := range []*float64{&l.Low, &l.High} {
			if r[3+i] == "" {
				continue
			}
			if *to, err = finite(r[3+i]); err != nil {
				return nil, fmt.Errorf("limits: %s %s: %w: leave it empty for no limit", l.Deck, l.Measure, err)
			}
		}
		switch {
		case seen[l.Deck+" "+l.Measure]:
			return nil, fmt.Errorf("limits: %s %s is there twice", l.Deck, l.Measure)
		case l.Reason == "":
			return nil, fmt.Errorf("limits: %s %s has no reason", l.Deck, l.Measure)
		case strings.HasPrefix(l.Reason, reported) != (math.IsInf(l.Low, 0) && math.IsInf(l.High, 0)):
			return nil, fmt.Errorf("limits: %s %s: a value has a limit, or else a reason that begins with %q", l.Deck,
				l.Measure, reported)
		case l.Low > l.High:
			return nil, fmt.Errorf("limits: %s %s: low is above high", l.Deck, l.Measure)
		}
		seen[l.Deck+" "+l.Measure] = true
		list = append(list, l)
	}
	return list, nil
}

var (
	measureLine = regexp.MustCompile(`(?im)^\.meas(?:ure)?\s+(?:tran|ac|dc|op)\s+(\S+)`)
	found       = regexp.MustCompile(`(?m)^([a-z_][a-z0-9_]*)\s+=\s+([-+]?[0-9][-+0-9.eE]*)(?:\s|$)`)
	failureLine = regexp.MustCompile(`(?im)^.*(error|meas.*failed|singular|aborted|unknown|can't find|not available|` +
		`non-increasing).*$`)
)

// MeasuresOf lists the measures that a deck requests.
func MeasuresOf(deck string) (names []string) {
	for _, m := range measureLine.FindAllStringSubmatch(deck, -1) {
		names = append(names, strings.ToLower(m[1]))
	}
	return names
}

// Measured parses the simulator's output. ngspice exits with 0 even if a measure failed or a model is missing, so the
// text decides: every measure that the deck requests must be there as a number.
func Measured(deck, printed string) (map[string]float64, error) {
	if bad := failureLine.FindString(printed); bad != "" {
		return nil, fmt.Errorf("the simulator says: %s", strings.TrimSpace(bad))
	}
	values := map[string]float64{}
	for _, m := range found.FindAllStringSubmatch(printed, -1) {
		x, err := strconv.ParseFloat(m[2], 64)
		if err != nil {
			return nil, fmt.Errorf("measure %s: %w", m[1], err)
		}
		values[m[1]] = x
	}
	got := map[string]float64{}
	for _, name := range MeasuresOf(deck) {
		x, ok := values[name]
		if !ok || math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, fmt.Errorf("measure %s is not in what the simulator printed", name)
		}
		got[name] = x
	}
	if len(got) == 0 {
		return nil, fmt.Errorf("the deck measures nothing")
	}
	return got, nil
}

// Results are the values of all runs: deck, measure, corner.
type Results map[string]map[string]map[string]float64

// Put adds one value.
func (r Results) Put(deck, measure, corner string, x float64) {
	if r[deck] == nil {
		r[deck] = map[string]map[string]float64{}
	}
	if r[deck][measure] == nil {
		r[deck][measure] = map[string]float64{}
	}
	r[deck][measure][corner] = x
}

// Row is one line of the table of measured values: minimum, typical (at the first corner) and maximum over all corners,
// and the limit.
type Row struct {
	Limit
	Least, Typical, Most float64
}

// Within reports whether the values are within the limit.
func (r Row) Within() bool { return r.Least >= r.Low && r.Most <= r.High }

// Rows joins results with limits. Every measure has a limit and every limit a measure, at every corner.
func (r Results) Rows(limits []Limit, corners []Corner) (rows []Row, err error) {
	known := map[string]bool{}
	for _, l := range limits {
		known[l.Deck+" "+l.Measure] = true
		values := r[l.Deck][l.Measure]
		if len(values) != len(corners) {
			return nil, fmt.Errorf("limits: %s %s was measured at %d corners of %d", l.Deck, l.Measure, len(values),
				len(corners))
		}
		row := Row{Limit: l, Least: math.Inf(1), Most: math.Inf(-1), Typical: values[corners[0].Name]}
		for _, x := range values {
			row.Least, row.Most = min(row.Least, x), max(row.Most, x)
		}
		rows = append(rows, row)
	}
	for deck, measures := range r {
		for m := range measures {
			if !known[deck+" "+m] {
				return nil, fmt.Errorf("deck %s measures %s, which has no limit: give it one in limits.csv", deck, m)
			}
		}
	}
	return rows, nil
}

// Relimit is measured rows with the limits as they are now, in their order. A measure of either that the other does not
// have was never simulated, or is no more: an error.
func Relimit(rows []Row, limits []Limit) ([]Row, error) {
	values := map[[2]string]Row{}
	for _, r := range rows {
		values[[2]string{r.Deck, r.Measure}] = r
	}
	list := make([]Row, 0, len(limits))
	for _, l := range limits {
		r, there := values[[2]string{l.Deck, l.Measure}]
		if !there {
			return nil, fmt.Errorf("limits: %s %s is not in the table of measured values: simulate its deck", l.Deck, l.Measure)
		}
		r.Limit = l
		list = append(list, r)
	}
	if len(list) != len(values) {
		return nil, fmt.Errorf("the table has %d measured values and limits.csv %d: simulate all decks", len(values),
			len(list))
	}
	return list, nil
}

var measuredHead = []string{"deck", "measure", "unit", "least", "typical", "most", "low limit", "high limit", "reason"}

// Table writes rows as CSV with three digits, so that the same circuit gives the same table.
func Table(rows []Row) string {
	var out strings.Builder
	out.WriteString("# Made by go run ./hardware/gen from simulations at the corners of sim/corners.txt; nothing was " +
		"measured on hardware.\n" + strings.Join(measuredHead, ",") + "\n")
	w := csv.NewWriter(&out)
	for _, r := range rows {
		record := []string{r.Deck, r.Measure, r.Unit,
			formatValue(r.Least), formatValue(r.Typical), formatValue(r.Most), limit(r.Low),
			limit(r.High), r.Reason}
		if err := w.Write(record); err != nil {
			panic(err) // a strings.Builder never fails
		}
	}
	w.Flush()
	return out.String()
}

// formatValue formats a value with three digits; below a billionth it is 0.
func formatValue(x float64) string {
	if math.Abs(x) < 1e-9 {
		x = 0
	}
	return strconv.FormatFloat(x, 'g', 3, 64)
}

func limit(x float64) string {
	if math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

// ParseTable parses Table's output.
func ParseTable(text string) (rows []Row, err error) {
	table, err := readHeaded("measured values", text, measuredHead)
	if err != nil {
		return nil, err
	}
	for _, t := range table {
		row := Row{Limit: Limit{Deck: t[0], Measure: t[1], Unit: t[2], Low: math.Inf(-1), High: math.Inf(1), Reason: t[8]}}
		for i, to := range []*float64{&row.Least, &row.Typical, &row.Most, &row.Low, &row.High} {
			const values = 3 // what follows are limits, which may be empty
			if i >= values && t[3+i] == "" {
				continue
			}
			if *to, err = finite(t[3+i]); err != nil {
				return nil, fmt.Errorf("measured values: %s %s: %w", row.Deck, row.Measure, err)
			}
		}
		rows = append(rows, row)
	}
	return rows, nil
}
