package xmp

import (
	"slices"
	"testing"
)

// Foreign lists what others wrote, as it stands in a sidecar: properties that are none of ours.
func Foreign(t *testing.T, text []byte) (list []string) {
	t.Helper()
	if len(text) == 0 {
		return nil
	}
	p, err := scan(text)
	if err != nil {
		t.Fatal(err)
	}
	for _, one := range p.properties {
		ours := one.name.Space == nsOwn || one.name.Space == nsXMP && slices.Contains([]string{"Rating", "Label"},
			one.name.Local) || one.name.Space == nsDC && slices.Contains([]string{"subject", "description"}, one.name.Local)
		if !ours {
			list = append(list, string(text[one.start:one.end]))
		}
	}
	return list
}
