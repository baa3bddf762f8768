package main

import (
	"os"
	"os/signal"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// A terminal that closes stops the daemon in order, as the other signals do: it disarms first.
func TestSignalsThatStop(t *testing.T) {
	for _, s := range []unix.Signal{unix.SIGINT, unix.SIGTERM, unix.SIGHUP, unix.SIGQUIT} {
		if signal.Ignored(s) {
			continue // nohup says that this one shall not
		}
		ctx, stop := untilStopped(t.Context())
		require.NoError(t, unix.Kill(os.Getpid(), s))
		<-ctx.Done()
		stop()
	}
}
