package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"stillwater/firmware/avr"
	"stillwater/internal/gpioboard/gpioboardtest"
)

// The test binary plays the program where a test has to kill it: with runEnv set it is Stillwater with its arguments.
// With pinsEnv too its board has pins in that file, which survives the process.
const (
	runEnv  = "STILLWATER_TEST_RUN"
	pinsEnv = "STILLWATER_TEST_PINS"
)

func TestMain(m *testing.M) {
	if kind := os.Getenv(floodEnv); kind != "" {
		flood(kind, os.Args[1], os.Args[2:])
		os.Exit(0)
	}
	if os.Getenv(runEnv) == "" {
		// Tests run as somebody's board or watchdog would start boards and watchdogs of their own, without end.
		if len(os.Args) > 1 && !strings.HasPrefix(os.Args[1], "-") {
			fmt.Fprintf(os.Stderr, "started as %q without %s=1, which the test must set\n", os.Args[1], runEnv)
			os.Exit(2)
		}
		// Most tests here wait: for boards, browsers and phones, not for a processor. -parallel still has the last word.
		if err := flag.Set("test.parallel", "4"); err != nil {
			panic(err)
		}
		status := m.Run()
		avr.Remove()
		if err := chromium.close(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			status = 1
		}
		os.Exit(status)
	}
	ctx, stop := untilStopped(context.Background())
	program := &Main{Stdout: os.Stdout, Stderr: os.Stderr, Getenv: os.Getenv}
	if path := os.Getenv(pinsEnv); path != "" {
		program.boardPins = gpioboardtest.Open(path)
	}
	status := program.Run(ctx, os.Args[1:])
	stop()
	os.Exit(status)
}
