//go:build !linux

package main

import "runtime"

// system is what this program was built for.
func system() string { return runtime.GOOS }
