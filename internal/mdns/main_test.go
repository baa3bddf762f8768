package mdns

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/netip"
	"os"
	"testing"
)

// The test program is its own helper: with helperEnv set it announces that name until its standard input ends, and
// prints each status.
const helperEnv = "STILLWATER_TEST_NAME"

func TestMain(m *testing.M) {
	name := os.Getenv(helperEnv)
	if name == "" {
		os.Exit(m.Run())
	}
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		io.Copy(io.Discard, os.Stdin)
		cancel()
	}()
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelDebug}))
	err := Run(ctx, Options{Name: name, Listen: netip.IPv6Unspecified(), Log: log, OnStatus: func(f Status) {
		fmt.Println("found", f.Name, f.System, f.Networks, f.Taken)
	}})
	fmt.Println("ended", err)
}
