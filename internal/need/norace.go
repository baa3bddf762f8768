//go:build !race

package need

// RaceDetector reports whether this test binary was built with it.
const RaceDetector = false
