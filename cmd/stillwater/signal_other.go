//go:build !unix

package main

import "os"

func suspendSignals() []os.Signal { return nil }
