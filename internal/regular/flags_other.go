//go:build !unix

package regular

// Not known here.
const noWait, noFollow = 0, 0
