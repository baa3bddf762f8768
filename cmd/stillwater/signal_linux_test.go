package main

import (
	"os"
	"os/signal"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// A terminal that closes stops the daemon in order, as the other signals do: it disarms first.
func TestSignalsThatStop(t *testing.T) {
	for _, s := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP} {
		if signal.Ignored(s) {
			continue // nohup says that this one shall not
		}
		ctx, stop := untilStopped(t.Context())
		require.NoError(t, syscall.Kill(os.Getpid(), s))
		<-ctx.Done()
		stop()
	}
}
