package lighting

import "fmt"

// Budget says what the error budget means for the picture: blur, depth and frame. Of what nobody has typed yet it says
// nothing.
func (r Report) Budget() []string {
	said := []string{}
	if blur := r.freeze(); r.BlurKnown() {
		said = append(said, blur.Says)
	}
	if !r.UsualLens() && r.Subject.Size > 0 {
		said = append(said, fmt.Sprintf("By this budget all of the liquid is within the depth that is sharp in %s, and "+
			"within the frame in %s.", InShots(r.InDepth), InShots(r.InFrame)))
	}
	return said
}
