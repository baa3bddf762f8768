package circuit

import (
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// beginning is that of one of the project's own files: so many whole lines.
func beginning(f *testing.F, lines int, path string) string {
	f.Helper()
	text, err := os.ReadFile("../" + path)
	require.NoError(f, err)
	all := strings.SplitAfter(string(text), "\n")
	return strings.Join(all[:lines], "")
}

// finiteAll fails the test for a number that is none.
func finiteAll(t *testing.T, list ...float64) {
	t.Helper()
	for _, x := range list {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("%v in %v", x, list)
		}
	}
}

// What is accepted is one of the rows that FaultTable writes, and the guide made of it keeps every word.
func FuzzParseFaults(f *testing.F) {
	f.Add(beginning(f, 5, "generated/faults.csv"))
	f.Add(FaultTable([]FaultRow{{Ref: "R1", Fault: "open", Failed: "no convergence"}}))
	f.Fuzz(func(t *testing.T, text string) {
		lines, err := ParseFaults(text)
		if err != nil {
			return
		}
		for _, l := range lines {
			finiteAll(t, l.V12, l.V5)
			assert.Contains(t, Verdicts(), l.Verdict)
			assert.Len(t, l.Ways, len(Ways()))
			safe := l.Ways[0] == released && l.Ways[1] == released && l.Ways[2] == released
			switch l.Verdict {
			case StillSafe, SafeNoticed:
				assert.True(t, safe, "%+v", l)
			case UnsafeNoticed, UnsafeHidden:
				assert.False(t, safe, "%+v", l)
				assert.Contains(t, FaultGuide(lines), l.Fault)
			}
			assert.Equal(t, l.Verdict == StillSafe || l.Verdict == UnsafeHidden, l.Problem == "" && l.Verdict != Undecided)
		}
	})
}

// What is written is read again as it was, with volts to one digit; a name that no table can hold is refused.
func FuzzFaultTable(f *testing.F) {
	f.Add("R1", "open", "", "nothing comes on", 0.0, 4.9, true, false)
	f.Add("#", "a\r\nb", "no convergence", "", 1e300, -1.0, false, true)
	f.Fuzz(func(t *testing.T, ref, fault, failed, problem string, v12, v5 float64, output, blind bool) {
		finite := !math.IsNaN(v12+v5) && !math.IsInf(v12+v5, 0)
		left := Residue{V12: v12, V5: v5, Output: output}
		row := FaultRow{Ref: ref, Fault: fault, Failed: failed, Problem: problem, KillInputBlind: blind,
			Residue: []Residue{left, left, {}}}
		lines, err := ParseFaults(FaultTable([]FaultRow{row}))
		if err != nil {
			for _, plain := range []string{ref, fault, failed, problem} {
				if _, bad := readTable("", writeCSV([][]string{{plain, "x"}}), 2); bad != nil || strings.HasPrefix(plain, "#") {
					return
				}
			}
			require.False(t, finite, "%+v: %v", row, err)
			return
		}
		if strings.HasPrefix(ref, "#") {
			require.Empty(t, lines, "a remark")
			return
		}
		require.Len(t, lines, 1)
		l := lines[0]
		assert.Equal(t, FaultLine{Ref: ref, Fault: fault, Problem: problem, KillInputBlind: blind, Verdict: row.Verdict(),
			Ways: l.Ways, V12: l.V12, V5: l.V5}, l)
		if failed == "" {
			assert.Equal(t, left.String(), l.Ways[0])
		}
	})
}

// What is accepted is written and read again as it was, and the guide says of it what the table says.
func FuzzParseBands(f *testing.F) {
	f.Add(beginning(f, 8, "generated/heartbeats.csv"))
	f.Fuzz(func(t *testing.T, text string) {
		bands, err := ParseBands(text)
		if err != nil {
			return
		}
		for _, b := range bands {
			finiteAll(t, b.Hertz, b.Least, b.Mean, b.Most)
			assert.Contains(t, []string{railDark, railOn, railIntermittent}, b.String())
		}
		statement := BandTable(bands)
		again, err := ParseBands(statement)
		require.NoError(t, err, "%s", statement)
		require.Equal(t, statement, BandTable(again))
		if words, err := BandGuide(bands); err == nil {
			assert.True(t, strings.HasSuffix(words, ".\n"))
		}
	})
}

// A limit that is accepted limits something, has a reason and is there once.
func FuzzLimits(f *testing.F) {
	f.Add(beginning(f, 6, "sim/limits.csv"))
	f.Add("a,b,V,NaN,1,why\n")
	f.Fuzz(func(t *testing.T, text string) {
		limits, err := Limits(text)
		if err != nil {
			assert.True(t, strings.HasPrefix(err.Error(), "limits: "), err)
			return
		}
		seen := map[[2]string]bool{}
		for _, l := range limits {
			key := [2]string{l.Deck, l.Measure}
			assert.False(t, seen[key], key)
			seen[key] = true
			assert.NotEmpty(t, l.Reason)
			assert.False(t, math.IsInf(l.Low, -1) && math.IsInf(l.High, 1), "%+v", l)
			assert.True(t, l.Low <= l.High && !math.IsInf(l.Low, 1) && !math.IsInf(l.High, -1), "%+v", l)
		}
	})
}

// What is accepted is written and read again as it was.
func FuzzParseTable(f *testing.F) {
	f.Add(beginning(f, 5, "generated/measured.csv"))
	f.Add("a,b,c\n")
	f.Fuzz(func(t *testing.T, text string) {
		rows, err := ParseTable(text)
		if err != nil {
			return
		}
		for _, r := range rows {
			finiteAll(t, r.Least, r.Typical, r.Most)
			assert.False(t, math.IsNaN(r.Low) || math.IsNaN(r.High))
		}
		statement := Table(rows)
		again, err := ParseTable(statement)
		require.NoError(t, err, "%s", statement)
		require.Equal(t, statement, Table(again))
	})
}

// Each measure that the deck asks for, and no other, is read as a number; printed again it is read as the same.
func FuzzMeasured(f *testing.F) {
	f.Add(".meas tran v_load FIND v(x) AT=1\n", "v_load              =  1.15e+01\n")
	f.Add(".MEASURE DC a max v(x)\n.meas op B max v(x)\n", "a = 1 at= 2\nb=3\nb\t=\t-4\n")
	f.Add(".meas ac x find y\n", "x = 1\nError: singular matrix\n")
	f.Fuzz(func(t *testing.T, deck, printed string) {
		values, err := Measured(deck, printed)
		if err != nil {
			assert.NotContains(t, err.Error(), "\n")
			return
		}
		again := ""
		for _, name := range MeasuresOf(deck) {
			x, ok := values[name]
			require.True(t, ok, name)
			finiteAll(t, x)
			again += name + " = " + strconv.FormatFloat(x, 'e', -1, 64) + "\n"
		}
		assert.LessOrEqual(t, len(values), len(MeasuresOf(deck)))
		back, err := Measured(deck, again)
		require.NoError(t, err, again)
		require.Equal(t, values, back)
		_, err = Measured(deck, printed+"\nError: no convergence\n")
		require.Error(t, err)
	})
}

// What is accepted is corners with a name each and the same parameters, which can be written and read again.
func FuzzCorners(f *testing.F) {
	f.Add(beginning(f, 7, "sim/corners.txt"))
	f.Add("a X=1 SPREAD=low\nb X=-1.5e-3k SPREAD=high # remark\n")
	f.Add("a =1\n")
	f.Add("a X=inf\n")
	f.Fuzz(func(t *testing.T, text string) {
		corners, err := Corners(text)
		if err != nil {
			requireParseError(t, err, text)
			return
		}
		require.NotEmpty(t, corners)
		statement := ""
		seen := map[string]bool{}
		for _, c := range corners {
			require.False(t, seen[c.Name], "%q is there twice", c.Name)
			seen[c.Name] = true
			require.Len(t, c.Params, len(corners[0].Params))
			statement += c.Name + " " + strings.Join(c.Params, " ") + "\n"
		}
		again, err := Corners(statement)
		require.NoError(t, err, "%q", statement)
		require.Len(t, again, len(corners))
		for i := range again {
			require.Equal(t, corners[i].Name, again[i].Name)
			require.Equal(t, append([]string{}, corners[i].Params...), append([]string{}, again[i].Params...))
		}
	})
}

// A value is a number above zero, in a range in which there are parts.
func FuzzQuantity(f *testing.F) {
	for _, seed := range []string{"560", "4.7k", "1M", "100n", "2.2u", "47p", "60m", "0x1p3", "1e-320p", "inf", "-1k",
		"k"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		x, err := Quantity(text)
		if err != nil {
			require.Zero(t, x)
			return
		}
		require.True(t, x >= 1e-15 && x <= 1e15, "%q is %v", text, x)
		require.NotContains(t, strings.ToLower(text), "x", "a decimal number is what people and simulators read")
	})
}

// What is put into a page is all between its marks, and putting it in again changes nothing.
func FuzzFill(f *testing.F) {
	f.Add("a\n<!-- x -->\nold\n<!-- end -->\nb", "x", "new\n")
	f.Add("<!-- end --><!-- x -->\n", "x", "")
	f.Add("<!-- x -->\n<!-- end -->", "x", "<!-- end -->")
	f.Fuzz(func(t *testing.T, page, name, text string) {
		filled, err := Fill(page, name, text)
		if err != nil {
			return
		}
		require.Contains(t, filled, "<!-- "+name+" -->\n"+text+"<!-- end -->")
		again, err := Fill(filled, name, text)
		require.NoError(t, err)
		require.Equal(t, filled, again)
	})
}

// requireParseError: an error says which line of the text it is about and what to do.
func requireParseError(t *testing.T, err error, text string) {
	t.Helper()
	var at *ParseError
	require.ErrorAs(t, err, &at)
	require.True(t, at.Line >= 1 && at.Line <= strings.Count(text, "\n")+1, "%v", at)
	require.NotEmpty(t, at.Remedy)
}
