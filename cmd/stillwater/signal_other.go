//go:build !unix

package main

import "os"

func pauses() []os.Signal { return nil }
