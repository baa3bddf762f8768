//go:build race

package need

// RaceDetector reports whether this test binary was built with it. What it cannot see into, such as another program
// that does the work, need not be repeated in full with it: the run without it does that.
const RaceDetector = true
