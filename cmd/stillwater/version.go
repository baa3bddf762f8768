package main

import (
	"runtime/debug"
	"strings"
)

// release is the version of a package; the linker fills it in (-X main.release=...).
var release string

func version() string {
	info, _ := debug.ReadBuildInfo()
	return versionOf(release, info)
}

// versionOf is the package's version, or what Go made of git's tags: without the v of a tag, as packages have it.
func versionOf(release string, info *debug.BuildInfo) string {
	switch {
	case release != "":
		return release
	case info == nil || info.Main.Version == "" || info.Main.Version == "(devel)":
		return "(development)"
	}
	return strings.TrimPrefix(info.Main.Version, "v")
}
