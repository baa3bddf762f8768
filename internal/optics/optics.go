// Package optics is the arithmetic of light, focus and framing: exposure by flash and by what else lights the room, how
// long a flash lasts, blur, depth of field, the field of view, and from where the edges of a clear liquid take their
// light.
//
// Exposures are in stops from a correct one, at which a white subject is just white. All is thin lenses, ideal units
// and bare liquids; where a number is practice and not law, it says so.
package optics

import "stillwater/internal/phys"

const (
	mm = phys.Length(1e-3)
	nm = phys.Length(1e-9)
)
