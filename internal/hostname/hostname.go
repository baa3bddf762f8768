// Package hostname validates host names.
package hostname

import "regexp"

// label is one label of a host's name: RFC 1123, section 2.1.
var label = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?$`)

// Valid reports whether a name is one label: 1 to 63 letters, digits and hyphens, none of them at an end.
func Valid(name string) bool { return label.MatchString(name) }
