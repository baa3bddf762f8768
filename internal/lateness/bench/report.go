package bench

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"stillwater/internal/lateness"
	"stillwater/internal/phys"
	"stillwater/internal/render"
)

// speeds are the speeds of liquid that lateness is shown for: a slow drop or tilt, a throw, a fast throw.
var speeds = [...]phys.Speed{1, 3, 6}

// Setup describes the board and the machine that were measured.
type Setup struct {
	Output  string   // what was switched
	Input   string   // what it was wired back to; "" nothing
	Drive   string   // how
	Granted string   // by the system, to the board's thread
	Missing []string // what it did not grant, each with its remedy
	Load    string   // "" none
	Peer    string   // "" none
	System  string   // kernel
}

// Plan is the plan that lateness is compared with.
type Plan struct {
	lateness.Plan
	From string // where it comes from
}

// Report is what was measured, with what, and what it means for the plan.
type Report struct {
	Setup    Setup
	Seed     uint64
	Interval time.Duration
	Plan     Plan
	Verdict  lateness.Verdict

	software, stamped []time.Duration
	Software, Stamped lateness.Summary
	turns             []lateness.Summary // of the software's, one a turn

	Peer      lateness.Summary // Count 0: none
	peerTurns []lateness.Summary
}

// add adds the pulses of one turn.
func (r *Report) add(pulses []Pulse) {
	turn := make([]time.Duration, 0, len(pulses))
	for _, p := range pulses {
		turn = append(turn, p.Software)
		if p.Looped {
			r.stamped = append(r.stamped, p.Stamped)
		}
	}
	r.software = append(r.software, turn...)
	r.turns = append(r.turns, lateness.Summarize(turn))
}

// finish summarizes all turns and compares them with the plan.
func (r *Report) finish(peers [][]lateness.Count) {
	r.Software, r.Stamped = lateness.Summarize(r.software), lateness.Summarize(r.stamped)
	r.Verdict = lateness.Assess(r.atPin(), r.Plan.Plan)
	var all []lateness.Count
	for _, turn := range peers {
		r.peerTurns = append(r.peerTurns, lateness.SummarizeCounts(turn))
		all = append(all, turn...)
	}
	slices.SortFunc(all, func(a, b lateness.Count) int { return int(a.Value - b.Value) })
	r.Peer = lateness.SummarizeCounts(all)
}

// atPin is what was measured nearest to the pin: by the kernel's stamps where there are some.
func (r *Report) atPin() lateness.Summary {
	if r.Stamped.Count > 0 {
		return r.Stamped
	}
	return r.Software
}

// Write writes the report for a person.
func (r *Report) Write(w io.Writer) error {
	parts := []func(io.Writer) error{r.writeSetup, r.writeBars, r.writeQuantiles, r.writeDistances, r.writePeer}
	for _, part := range parts {
		if err := part(w); err != nil {
			return fmt.Errorf("lateness: %w", err)
		}
	}
	fmt.Fprintf(w, "\nThis is %s (%s).\n", r.Verdict.Words, r.Plan.From)
	if r.Verdict.Good || len(r.Setup.Missing) == 0 {
		return nil
	}
	_, err := fmt.Fprintln(w, "What the system does not grant, above, is the first thing to fix.")
	return err
}

func (r *Report) writeSetup(w io.Writer) error {
	a := r.Setup
	fmt.Fprintf(w, "%d pulses, one in %v on average at random times (seed %d), on %s.\n\n", r.Software.Count, r.Interval,
		r.Seed, a.Output)
	rows := [][]string{{"driven by", a.Drive}}
	if a.Input != "" {
		rows = append(rows, []string{"wired back to", a.Input})
	}
	rows = append(rows, []string{"the system granted", a.Granted})
	for _, missing := range a.Missing {
		rows = append(rows, []string{"", missing})
	}
	rows = append(rows, []string{"load", orNone(a.Load)}, []string{"kernel", a.System})
	for _, row := range rows {
		fmt.Fprintf(w, "%-19s %s\n", row[0], row[1])
	}
	_, err := fmt.Fprintln(w)
	return err
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

// writeBars draws the histogram.
func (r *Report) writeBars(w io.Writer) error {
	const widest = 40
	bars := lateness.Bars(r.software)
	most := 1
	for _, b := range bars {
		most = max(most, b.N)
	}
	var rows [][]string
	for _, b := range bars {
		width := (b.N*widest + most - 1) / most
		rows = append(rows, []string{b.To.String(), fmt.Sprint(b.N), strings.Repeat("#", width)})
	}
	if err := render.Table(w, []string{"up to", "pulses", ""}, rows); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w)
	return err
}

// named are a summary's numbers in the order shown.
func named(s lateness.Summary) []struct {
	name string
	late time.Duration
} {
	return []struct {
		name string
		late time.Duration
	}{{"p50", s.P50}, {"p90", s.P90}, {"p99", s.P99}, {"p99.9", s.P999}, {"max", s.Max}}
}

func (r *Report) writeQuantiles(w io.Writer) error {
	header := []string{"late by", "board's software"}
	columns := []lateness.Summary{r.Software}
	if r.Stamped.Count > 0 {
		header, columns = append(header, "kernel's stamp of the edge"), append(columns, r.Stamped)
	}
	if r.Peer.Count > 0 {
		header, columns = append(header, "cyclictest"), append(columns, r.Peer)
	}
	var rows [][]string
	for i, q := range named(r.Software) {
		row := []string{q.name}
		for _, c := range columns {
			row = append(row, lateness.Round(named(c)[i].late).String())
		}
		rows = append(rows, row)
	}
	return render.Table(w, header, rows)
}

// writeDistances shows how far the subject moves in the picture.
func (r *Report) writeDistances(w io.Writer) error {
	pin := r.atPin()
	fmt.Fprintln(w, "\nDistance moved in that time, in mm:")
	header := []string{"at"}
	for _, q := range named(pin) {
		header = append(header, q.name)
	}
	var rows [][]string
	for _, v := range speeds {
		row := []string{fmt.Sprintf("%g m/s", float64(v))}
		for _, q := range named(pin) {
			row = append(row, fmt.Sprintf("%.4f", float64(lateness.Distance(v, q.late))*1e3))
		}
		rows = append(rows, row)
	}
	return render.Table(w, header, rows)
}

// writePeer compares the board with cyclictest, which only sleeps: it wakes late by the system's latency, where the
// board wakes early and spins the rest.
func (r *Report) writePeer(w io.Writer) error {
	if r.Peer.Count == 0 {
		return nil
	}
	low50, high50, low99, high99 := r.ratioRange()
	fmt.Fprintf(w, "\nAgainst cyclictest (%d samples, in turn, %d each): p50 %.3f of its (turns %.3f to %.3f), "+
		"p99 %.3f of its (turns %.3f to %.3f).\n", r.Peer.Count, len(r.peerTurns), ratio(r.Software.P50, r.Peer.P50), low50,
		high50, ratio(r.Software.P99, r.Peer.P99), low99, high99)
	return nil
}

// ratioRange is the smallest and the largest ratio of any turn.
func (r *Report) ratioRange() (low50, high50, low99, high99 float64) {
	var r50, r99 []float64
	for i := range r.peerTurns {
		r50 = append(r50, ratio(r.turns[i].P50, r.peerTurns[i].P50))
		r99 = append(r99, ratio(r.turns[i].P99, r.peerTurns[i].P99))
	}
	return slices.Min(r50), slices.Max(r50), slices.Min(r99), slices.Max(r99)
}

func ratio(ours, theirs time.Duration) float64 { return float64(ours) / float64(max(theirs, 1)) }

// ReportJSON is a Report as it is written in JSON.
type ReportJSON struct {
	quantilesJSON
	Count      int             `json:"count"`
	Seed       uint64          `json:"seed"`
	IntervalNs int64           `json:"interval_ns"`
	Output     string          `json:"output"`
	Input      string          `json:"input,omitempty"`
	Drive      string          `json:"drive"`
	Granted    string          `json:"granted"`
	Missing    []string        `json:"missing"`
	Load       string          `json:"load"`
	Kernel     string          `json:"kernel"`
	Stamped    *quantilesJSON  `json:"stamped,omitempty"`
	Histogram  []barJSON       `json:"histogram"`
	MovedMm    []distancesJSON `json:"moved_mm"`
	Peer       *peerJSON       `json:"peer,omitempty"`
	Plan       string          `json:"plan"`
	PlanFrom   string          `json:"plan_from"`
	GoodEnough bool            `json:"good_enough"`
	Verdict    string          `json:"verdict"`
}

type quantilesJSON struct {
	P50  int64 `json:"p50_ns"`
	P90  int64 `json:"p90_ns"`
	P99  int64 `json:"p99_ns"`
	P999 int64 `json:"p999_ns"`
	Max  int64 `json:"max_ns"`
}

type barJSON struct {
	ToNs int64 `json:"to_ns"`
	N    int   `json:"n"`
}

type distancesJSON struct {
	Speed float64 `json:"m_per_s"`
	P50   float64 `json:"p50"`
	P90   float64 `json:"p90"`
	P99   float64 `json:"p99"`
	P999  float64 `json:"p999"`
	Max   float64 `json:"max"`
}

type peerJSON struct {
	quantilesJSON
	Tool     string     `json:"tool"`
	Count    int        `json:"count"`
	RatioP50 float64    `json:"ratio_p50"`
	RatioP99 float64    `json:"ratio_p99"`
	TurnsP50 [2]float64 `json:"ratio_p50_turns"`
	TurnsP99 [2]float64 `json:"ratio_p99_turns"`
}

func quantiles(s lateness.Summary) quantilesJSON {
	return quantilesJSON{int64(s.P50), int64(s.P90), int64(s.P99), int64(s.P999), int64(s.Max)}
}

// JSON returns the report in the form that is written for scripts.
func (r *Report) JSON() ReportJSON {
	a := r.Setup
	k := ReportJSON{quantilesJSON: quantiles(r.Software), Count: r.Software.Count, Seed: r.Seed,
		IntervalNs: int64(r.Interval), Output: a.Output, Input: a.Input, Drive: a.Drive, Granted: a.Granted,
		Missing: append([]string{}, a.Missing...), Load: orNone(a.Load), Kernel: a.System, Plan: r.Plan.Name,
		PlanFrom: r.Plan.From, GoodEnough: r.Verdict.Good, Verdict: r.Verdict.Words}
	if r.Stamped.Count > 0 {
		stamped := quantiles(r.Stamped)
		k.Stamped = &stamped
	}
	for _, b := range lateness.Bars(r.software) {
		k.Histogram = append(k.Histogram, barJSON{int64(b.To), b.N})
	}
	for _, v := range speeds {
		mm := func(late time.Duration) float64 { return float64(lateness.Distance(v, late)) * 1e3 }
		pin := r.atPin()
		k.MovedMm = append(k.MovedMm,
			distancesJSON{float64(v), mm(pin.P50), mm(pin.P90), mm(pin.P99), mm(pin.P999), mm(pin.Max)})
	}
	if r.Peer.Count > 0 {
		low50, high50, low99, high99 := r.ratioRange()
		k.Peer = &peerJSON{quantiles(r.Peer), a.Peer, r.Peer.Count, ratio(r.Software.P50, r.Peer.P50),
			ratio(r.Software.P99, r.Peer.P99), [2]float64{low50, high50}, [2]float64{low99, high99}}
	}
	return k
}
