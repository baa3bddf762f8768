//go:build !unix

package journal

import "os"

func othersFile(string) (owner, self string) { return "", "" }

func ownAsFolder(*os.File, string) error { return nil }

func oneName(string, *os.File) error { return nil }
