package circuit

import (
	"maps"
	"slices"
	"strings"
)

// statement is one statement and its line.
type statement struct {
	number int
	words  []string
}

// expand splits a description into statements and repeats those between each and end:
//
//	each S=FOCUS,SHUTTER N=1,2
//	part R1$N resistor 560 ... : 1=G_$S 2=GND
//	end
func expand(text string) (list []statement, err error) {
	var block []statement // of the open each
	var heads map[string][]string
	open, times := 0, 0
	for i, l := range strings.Split(text, "\n") {
		words, closed := cut(l)
		here := statement{i + 1, words}
		switch {
		case !closed:
			return nil, &ParseError{i + 1, "a quote is not closed", `end the text with "`}
		case len(words) == 0:
		case words[0] == "each" && open > 0:
			return nil, &ParseError{i + 1, "each within each", "write end first"}
		case words[0] == "each":
			open, block = i+1, nil
			if heads, times, err = readEach(i+1, words[1:]); err != nil {
				return nil, err
			}
		case words[0] == "end" && open == 0:
			return nil, &ParseError{i + 1, "end without each", "take it out"}
		case words[0] == "end":
			list = append(list, repeated(block, heads, times)...)
			open = 0
		case open > 0:
			block = append(block, here)
		default:
			list = append(list, here)
		}
	}
	if open > 0 {
		return nil, &ParseError{open, "each without end", "write end after the repeated lines"}
	}
	return list, nil
}

func readEach(number int, words []string) (heads map[string][]string, times int, err error) {
	heads = map[string][]string{}
	for _, w := range words {
		name, values, ok := strings.Cut(w, "=")
		list := strings.Split(values, ",")
		if !ok || name == "" || times > 0 && len(list) != times {
			return nil, 0, &ParseError{number, "each needs NAME=a,b,... with as many values for each name",
				"write: each S=FOCUS,SHUTTER N=1,2"}
		}
		heads[name], times = list, len(list)
	}
	if times == 0 {
		return nil, 0, &ParseError{number, "each without a name", "write: each S=FOCUS,SHUTTER N=1,2"}
	}
	return heads, times, nil
}

func repeated(block []statement, heads map[string][]string, times int) (list []statement) {
	for i := range times {
		var pairs []string
		for _, name := range slices.Backward(slices.Sorted(maps.Keys(heads))) { // $AB before $A
			pairs = append(pairs, "$"+name, heads[name][i])
		}
		put := strings.NewReplacer(pairs...)
		for _, l := range block {
			one := statement{number: l.number}
			for _, w := range l.words {
				one.words = append(one.words, put.Replace(w))
			}
			list = append(list, one)
		}
	}
	return list
}

// cut splits a line into words; blanks within quotes do not split, and # begins a comment.
func cut(l string) (words []string, closed bool) {
	var word strings.Builder
	quoted, started := false, false
	flush := func() {
		if started {
			words = append(words, word.String())
		}
		word.Reset()
		started = false
	}
	for _, r := range l {
		switch {
		case r == '"':
			quoted, started = !quoted, true
		case !quoted && r == '#':
			flush()
			return words, true
		case !quoted && (r == ' ' || r == '\t' || r == '\r'):
			flush()
		default:
			word.WriteRune(r)
			started = true
		}
	}
	flush()
	return words, !quoted
}
