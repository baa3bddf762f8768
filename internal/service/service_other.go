//go:build !linux

package service

import "errors"

var errUnsupported = errors.New("service managers are supported on Linux only")

func connect(string) (socket, error) { return nil, errUnsupported }

func checkListener(int) error { return errUnsupported }
