//go:build !linux

package tether

func bound(int, int64) {}
