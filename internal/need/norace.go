//go:build !race

package need

// RaceDetector says whether this test binary was built with it.
const RaceDetector = false
