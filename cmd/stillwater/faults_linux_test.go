package main

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/control"
	"stillwater/internal/journal"
	"stillwater/internal/need"
)

// recorded are the shots in the record, by their numbers.
func recorded(t testing.TB, path string) []int64 {
	t.Helper()
	j, err := journal.OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	defer j.Close()
	shots, err := j.Shots(t.Context(), 0, 0)
	require.NoError(t, err)
	var ids []int64
	for _, s := range shots {
		ids = append(ids, s.ID)
	}
	slices.Sort(ids)
	return ids
}

// unwritten makes a shot whose record cannot be written now, and waits until that is said.
func (h *hand) unwritten() *control.Snapshot {
	h.t.Helper()
	h.must(control.Command{Type: "arm", Shots: 1})
	h.until("armed", inState(control.Armed))
	h.must(control.Command{Type: "room"})
	return h.until("the record is in trouble", func(s *control.Snapshot) bool {
		return s.Record.Waiting > 0 && s.Record.Trouble != "" && s.State == control.Safe && !s.Room.Busy
	})
}

// written waits until everything is on record, and finds it there.
func (d *daemonRun) written(h *hand, path string, shots int) {
	d.t.Helper()
	h.until("all is on record", func(s *control.Snapshot) bool {
		return s.Record.Waiting == 0 && s.Record.Trouble == "" && s.ShotCount == shots
	})
	h.oneShot()
	require.Zero(d.t, d.stop(), d.log)
	assert.Len(d.t, recorded(d.t, path), shots+1)
}

// A full disk loses no shot: what was made waits, the page says why, and goes into the record once there is room.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	disk := t.TempDir()
	if err := unix.Mount("tmpfs", disk, "tmpfs", 0, "size=1m"); errors.Is(err, unix.EPERM) {
		need.Missing(t, "the right to mount a small disk (run as root)")
	} else {
		require.NoError(t, err)
	}
	t.Cleanup(func() { _ = unix.Unmount(disk, unix.MNT_DETACH) })
	path := filepath.Join(disk, "journal.db")
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--journal", path, "--seed", "6")
	h := d.pair()
	h.ready()
	h.oneShot()

	ballast := filepath.Join(disk, "ballast")
	require.NoError(t, fill(ballast))
	for h.last.Record.Waiting < 3 { // the journal may have had room for one more in what it holds already
		h.unwritten()
	}
	assert.Contains(t, h.last.Record.Trouble, "full")
	made := h.last.ShotCount + h.last.Record.Waiting
	require.NoError(t, os.Remove(ballast))
	d.written(h, path, made)
}

// fill writes a file until the disk takes no more.
func fill(path string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	for {
		if _, err := f.Write(make([]byte, 512)); errors.Is(err, unix.ENOSPC) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// Another program that holds the journal's write lock holds up the record and nothing else.
func TestLockedJournal(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "journal.db")
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--journal", path, "--seed", "7")
	h := d.pair()
	h.ready()
	h.oneShot()

	// SQLite's write lock of a journal in WAL mode is byte 120 of its shared memory file (sqlite.org/walformat.html).
	shm, err := os.OpenFile(path+"-shm", os.O_RDWR, 0)
	require.NoError(t, err)
	defer shm.Close()
	lock := unix.Flock_t{Type: unix.F_WRLCK, Whence: unix.SEEK_SET, Start: 120, Len: 1}
	// An open file description lock, since the daemon is this same process.
	for err = unix.EAGAIN; errors.Is(err, unix.EAGAIN); time.Sleep(time.Millisecond) {
		err = unix.FcntlFlock(shm.Fd(), unix.F_OFD_SETLK, &lock)
	}
	require.NoError(t, err)
	h.unwritten()
	made := h.last.ShotCount + h.last.Record.Waiting
	lock.Type = unix.F_UNLCK
	require.NoError(t, unix.FcntlFlock(shm.Fd(), unix.F_OFD_SETLK, &lock))
	d.written(h, path, made)
}
