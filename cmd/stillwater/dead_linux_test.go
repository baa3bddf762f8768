package main

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/need"
	"stillwater/internal/proctest"
)

// deadMount mounts a disk that says that it is there and answers nothing else, and returns what waits until it was
// asked: a request stays unread, as one does on a network that is gone.
func deadMount(t *testing.T) (dir string, asked func()) {
	t.Helper()
	dir = t.TempDir()
	disk, err := unix.Open("/dev/fuse", unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err == nil {
		t.Cleanup(func() { unix.Close(disk) })
		err = unix.Mount("dead", dir, "fuse", 0, fmt.Sprintf("fd=%d,rootmode=40000,user_id=0,group_id=0", disk))
	}
	if err != nil {
		need.Missing(t, "nothing can be mounted by FUSE: "+err.Error())
	}
	t.Cleanup(func() { unix.Unmount(dir, unix.MNT_DETACH) })
	request := make([]byte, 64<<10)
	n, err := unix.Read(disk, request)
	require.NoError(t, err)
	require.Greater(t, n, 40)
	const init, major, minor = 26, 7, 31 // the kernel's include/uapi/linux/fuse.h
	require.EqualValues(t, init, binary.NativeEndian.Uint32(request[4:]))
	answer := make([]byte, 16+64)
	binary.NativeEndian.PutUint32(answer, uint32(len(answer)))
	copy(answer[8:16], request[8:16]) // its number
	binary.NativeEndian.PutUint32(answer[16:], major)
	binary.NativeEndian.PutUint32(answer[20:], minor)
	_, err = unix.Write(disk, answer)
	require.NoError(t, err)
	return dir, func() {
		t.Helper()
		for {
			_, err := unix.Poll([]unix.PollFd{{Fd: int32(disk), Events: unix.POLLIN}}, -1)
			if err != unix.EINTR {
				require.NoError(t, err)
				return
			}
		}
	}
}

// silentCamera has a gphoto2 on PATH that never answers and wants to hear no signal, and returns the number of its
// process, once it is asked.
func silentCamera(t *testing.T) (pid func() int) {
	t.Helper()
	dir := t.TempDir()
	note := filepath.Join(dir, "asked")
	script := fmt.Sprintf("#!/bin/sh\ntrap '' INT TERM HUP\necho $$ >%s.new\nmv %s.new %s\nexec sleep 3600\n", note, note,
		note)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "gphoto2"), []byte(script), 0o700))
	t.Setenv("PATH", dir+":"+os.Getenv("PATH"))
	return func() (pid int) {
		proctest.Eventually(t, "the camera is asked", func() bool {
			text, err := os.ReadFile(note)
			if err != nil {
				return false
			}
			pid, err = strconv.Atoi(strings.TrimSpace(string(text)))
			return err == nil
		})
		return pid
	}
}

// Who stops the service while the camera or the disk with its files does not answer gets its end, in order; nothing of
// it goes on running.
func TestEndWithoutAnAnswer(t *testing.T) {
	type ended func(log string)
	for name, begin := range map[string]func(t *testing.T) (camera string, asked func(), over ended){
		"a silent camera and a pipe": func(t *testing.T) (string, func(), ended) {
			folder, pid := t.TempDir(), silentCamera(t)
			require.NoError(t, unix.Mkfifo(filepath.Join(folder, "PICT0001.JPG"), 0o600))
			var silent int
			return fmt.Sprintf("port = \"auto\"\nfolder = %q\n", folder), func() { silent = pid() }, func(string) {
				proctest.Eventually(t, "its program ends", func() bool { return proctest.Ended(silent) })
			}
		},
		"a dead disk": func(t *testing.T) (string, func(), ended) {
			folder, asked := deadMount(t)
			return fmt.Sprintf("folder = %q\n", folder), asked, func(log string) {
				assert.Contains(t, log, "stopping without waiting any longer: a disk or the camera does not answer")
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			camera, asked, over := begin(t)
			dir, log := t.TempDir(), new(proctest.Log)
			config := filepath.Join(dir, "stillwater.toml")
			text := "[board]\nkind = \"simulated\"\n[camera]\n" + camera
			require.NoError(t, os.WriteFile(config, []byte(text), 0o600))
			run := exec.Command(os.Args[0], "--listen", "127.0.0.1:0", "--name", "", "--config", config, "--journal",
				filepath.Join(dir, "journal.db"))
			run.Env, run.Stderr = append(os.Environ(), runEnv+"=1"), log
			says, err := run.StdoutPipe()
			require.NoError(t, err)
			require.NoError(t, run.Start())
			t.Cleanup(func() { kill(run) })
			lines := bufio.NewScanner(says)
			for served := false; !served; served = saysPage.MatchString(lines.Text()) {
				require.True(t, lines.Scan(), "the program ended: %s", log)
			}
			asked()
			require.NoError(t, run.Process.Signal(unix.SIGTERM))
			for lines.Scan() { // until it ends
			}
			assert.NoError(t, run.Wait(), log)
			over(log.String())
		})
	}
}
