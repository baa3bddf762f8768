package main

import "runtime/debug"

// release is the version of a package; the linker fills it in (-X main.release=...).
var release string

func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" || info.Main.Version == "(devel)" {
		return "(development)"
	}
	return info.Main.Version
}
