package shot

import (
	"cmp"
	"slices"
	"strings"
)

// namesLike lists the fields whose names are most like one that is none.
func (s *Set) namesLike(name string) string {
	const listed = 4
	names := s.names()
	unlike := map[string]int{}
	for _, n := range names {
		_, last, _ := cutLast(n)
		unlike[n] = min(edits(name, n), 1+edits(name, last))
		if name == "" || strings.HasPrefix(n, name+".") {
			unlike[n] = 0
		}
		if group, rest, is := cutLast(name); is { // the right name in a wrong group, or a part of one in the right group
			unlike[n] = min(unlike[n], 2+edits(rest, last))
			if strings.HasPrefix(n, group+".") && rest != "" && strings.Contains(last, rest) {
				unlike[n] = min(unlike[n], 1)
			}
		}
	}
	slices.SortStableFunc(names, func(a, b string) int { return cmp.Compare(unlike[a], unlike[b]) })
	return strings.Join(names[:listed-1], ", ") + " or " + names[listed-1]
}

// cutLast cuts a name at its last dot.
func cutLast(name string) (before, after string, found bool) {
	i := strings.LastIndexByte(name, '.')
	if i < 0 {
		return "", name, false
	}
	return name[:i], name[i+1:], true
}

// edits is the fewest letters to put in, take out or exchange that make b of a (V. I. Levenshtein 1965). Of a longer
// name only the beginning counts.
func edits(a, b string) int {
	const longest = 64
	a = a[:min(len(a), longest)]
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			next := diagonal
			if a[i] != b[j] {
				next = 1 + min(diagonal, row[j], row[j+1])
			}
			diagonal, row[j+1] = row[j+1], next
		}
	}
	return row[len(b)]
}
