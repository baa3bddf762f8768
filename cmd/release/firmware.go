package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"

	"stillwater/firmware/image"
)

// errNoCompiler says that the firmware cannot be built here.
var errNoCompiler = errors.New("the firmware was not built, as there is no avr-gcc: on Debian, " +
	"sudo apt install make gcc-avr avr-libc")

// firmwarePlace is where the program takes its firmware from, in the project's folder.
const firmwarePlace = "firmware/image/built/stillwater.hex"

// addFirmware builds the timing board's firmware in the folder work and has every program carry it that is built
// afterwards.
func (s *source) addFirmware(ctx context.Context, work string) error {
	if _, err := exec.LookPath("avr-gcc"); err != nil {
		return errNoCompiler
	}
	hex := filepath.Join(work, "stillwater.hex")
	if _, err := command(ctx, s.root, nil, "make", "-s", "-C", "firmware", "OUT="+filepath.Join(work, "firmware"),
		"IMAGE="+hex); err != nil {
		return fmt.Errorf("the firmware: %w", err)
	}
	text, err := os.ReadFile(hex)
	if err != nil {
		return fmt.Errorf("the firmware: %w", err)
	}
	if _, err := image.Parse(text); err != nil {
		return fmt.Errorf("the firmware: %w", err)
	}
	overlay, err := json.Marshal(map[string]any{"Replace": map[string]string{filepath.Join(s.root, firmwarePlace): hex}})
	if err != nil {
		return fmt.Errorf("the firmware: %w", err)
	}
	s.firmware, s.overlay = text, filepath.Join(work, "overlay.json")
	return os.WriteFile(s.overlay, overlay, 0o644)
}

// checkFirmware looks whether a program really carries the firmware that was built for it.
func (s source) checkFirmware(program string) error {
	if s.firmware == nil {
		return nil
	}
	text, err := os.ReadFile(program)
	if err != nil {
		return err
	}
	if !bytes.Contains(text, s.firmware) {
		return fmt.Errorf("the firmware is not in the program that was built to carry it (%s)", firmwarePlace)
	}
	return nil
}
