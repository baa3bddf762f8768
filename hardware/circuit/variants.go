package circuit

import (
	"fmt"
	"regexp"
	"strings"
)

var (
	variantLine = regexp.MustCompile(`(?m)^\*vary\b(.*)$`)
	measureName = regexp.MustCompile(`(?im)^(\.meas(?:ure)?\s+(?:tran|ac|dc|op)\s+)(\S+)`)
	suffix      = regexp.MustCompile(`^[a-z0-9]+$`)
)

// Variants are the texts of a deck, one for each of its lines "*vary SUFFIX NAME=VALUE ...": with those parameters, and
// the suffix behind the name of each measure. A deck without such a line is its only variant.
func Variants(deck string) (texts []string, err error) {
	seen := map[string]bool{}
	for _, m := range variantLine.FindAllStringSubmatch(deck, -1) {
		w := strings.Fields(m[1])
		if len(w) < 2 || !suffix.MatchString(w[0]) || seen[w[0]] {
			return nil, fmt.Errorf("%q is not a variant of its own: write *vary SUFFIX NAME=VALUE ..., "+
				"the suffix of a-z and 0-9", m[0])
		}
		seen[w[0]] = true
		var params strings.Builder
		for _, p := range w[1:] {
			q := parameter.FindStringSubmatch(p)
			if q == nil || !number.MatchString(q[2]) {
				return nil, fmt.Errorf("%q of %q is not a parameter: write NAME=VALUE", p, m[0])
			}
			fmt.Fprintf(&params, ".param %s\n", p)
		}
		texts = append(texts, params.String()+measureName.ReplaceAllString(deck, "${1}${2}_"+w[0]))
	}
	if texts == nil {
		return []string{deck}, nil
	}
	return texts, nil
}
