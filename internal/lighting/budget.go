package lighting

import (
	"fmt"

	"stillwater/internal/optics"
)

// Budget says what the error budget means for the picture: blur, depth and frame. Of what nobody has typed yet it says
// nothing.
func (r Report) Budget() []string {
	said := []string{}
	if blur := r.freeze(); r.BlurKnown() {
		said = append(said, blur.Says)
	}
	if r.Set.Camera != optics.DefaultSetup().Camera && r.Subject.Size > 0 {
		said = append(said, fmt.Sprintf("By this budget all of the liquid is within the depth that is sharp in %s, and "+
			"within the frame in %s.", inTenths(r.InDepth), inTenths(r.InFrame)))
	}
	return said
}
