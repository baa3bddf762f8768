package serialport

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/need"
)

// TestMain can run as another program that holds a port.
func TestMain(m *testing.M) {
	if path := os.Getenv("SERIALPORT_TEST_HOLD"); path != "" {
		os.Exit(holdPorts(path))
	}
	os.Exit(m.Run())
}

func holdPorts(path string) int {
	for _, path := range strings.Split(path, ",") {
		file, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
		if err != nil {
			fmt.Println(err)
			return 1
		}
		defer file.Close()
	}
	fmt.Println("open")
	_, _ = io.Copy(io.Discard, os.Stdin)
	return 0
}

// openTerminal makes a pseudo-terminal: its master, and the path of its slave.
func openTerminal(t *testing.T) (far *os.File, path string) {
	far, near := need.Terminal(t)
	path = near.Name()
	require.NoError(t, near.Close())
	return far, path
}

func open(t *testing.T, path string) *Port {
	p, err := Open(path, 250000)
	require.NoError(t, err)
	t.Cleanup(func() { p.Close() })
	return p
}

func TestOpenSetsTheRateByNumber(t *testing.T) {
	for _, baud := range []int{250000, 115200, 57600, 9600, 500000, 1_000_000} {
		far, path := openTerminal(t)
		p, err := Open(path, baud)
		require.NoError(t, err)
		set, err := unix.IoctlGetTermios(int(far.Fd()), unix.TCGETS2)
		require.NoError(t, err)
		assert.Equal(t, uint32(baud), set.Ospeed)
		assert.Equal(t, uint32(baud), set.Ispeed)
		assert.Equal(t, uint32(unix.BOTHER), set.Cflag&unix.CBAUD)
		assert.Equal(t, uint32(unix.CS8|unix.CREAD|unix.CLOCAL), set.Cflag&^(unix.CBAUD|unix.CIBAUD))
		assert.Zero(t, set.Lflag)
		assert.Zero(t, set.Oflag)
		require.NoError(t, p.Close())
	}
}

// No byte is translated, as terminals do.
func TestEveryByteGoesThroughBothWays(t *testing.T) {
	far, path := openTerminal(t)
	p := open(t, path)
	sent := make([]byte, 2048)
	random := rand.New(rand.NewPCG(1, 1))
	for i := range sent {
		sent[i] = byte(i)
		if i >= 512 {
			sent[i] = byte(random.Uint32())
		}
	}
	for name, way := range map[string]struct {
		from io.Writer
		to   io.Reader
	}{"in": {far, p}, "out": {p, far}} {
		wrote := make(chan error, 1)
		go func() {
			_, err := way.from.Write(sent)
			wrote <- err
		}()
		got := make([]byte, len(sent))
		_, err := io.ReadFull(way.to, got)
		require.NoError(t, err, name)
		require.NoError(t, <-wrote, name)
		require.Equal(t, sent, got, name)
	}
}

func TestOnePortOneProgram(t *testing.T) {
	_, path := openTerminal(t)
	first := open(t, path)
	_, err := Open(path, 250000)
	require.ErrorIs(t, err, ErrBusy)
	_, err = Lock(path)
	require.ErrorIs(t, err, ErrBusy)
	require.NoError(t, first.Close())

	release, err := Lock(path)
	require.NoError(t, err)
	_, err = Open(path, 250000)
	require.ErrorIs(t, err, ErrBusy)
	require.NoError(t, release())

	second, err := Open(path, 250000)
	require.NoError(t, err)
	require.NoError(t, second.Close())
}

// Others may not even open it, unless they are root, and may again once it is closed.
func TestOpenExcludesOthers(t *testing.T) {
	_, path := openTerminal(t)
	excluded := func() int {
		fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY, 0)
		require.NoError(t, err)
		defer unix.Close(fd)
		n, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL)
		require.NoError(t, err)
		return n
	}
	if os.Getuid() != 0 {
		need.Missing(t, "looking at a port that others have needs root")
	}
	p := open(t, path)
	assert.Equal(t, 1, excluded())
	require.NoError(t, p.Close())
	assert.Zero(t, excluded())
}

// What a device sent before the port was opened is discarded.
func TestOpenForgetsWhatWasSaidBefore(t *testing.T) {
	far, near := need.Terminal(t)
	raw, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
	require.NoError(t, err)
	raw.Lflag = 0
	require.NoError(t, unix.IoctlSetTermios(int(near.Fd()), unix.TCSETS, raw))
	_, err = far.Write([]byte("old"))
	require.NoError(t, err)
	waiting, err := unix.IoctlGetInt(int(near.Fd()), unix.TIOCINQ)
	for ; err == nil && waiting < 3; waiting, err = unix.IoctlGetInt(int(near.Fd()), unix.TIOCINQ) {
		runtime.Gosched()
	}
	require.NoError(t, err)
	p := open(t, near.Name())
	_, err = far.Write([]byte("new"))
	require.NoError(t, err)
	got := make([]byte, 3)
	_, err = io.ReadFull(p, got)
	require.NoError(t, err)
	assert.Equal(t, "new", string(got))
}

// A program that takes no lock still has the port and would consume its bytes.
func TestBusyNamesTheProgram(t *testing.T) {
	_, path := openTerminal(t)
	link := filepath.Join(t.TempDir(), "usb-board")
	require.NoError(t, os.Symlink(path, link))
	other, end := startHolder(t, path)

	_, err := Open(link, 250000)
	require.ErrorIs(t, err, ErrBusy)
	name := filepath.Base(os.Args[0])
	assert.ErrorContains(t, err, fmt.Sprintf("in use by %s (process %d)", name[:min(15, len(name))], other.Process.Pid))
	assert.ErrorContains(t, err, "systemctl stop stillwater")

	end()
	open(t, link)
}

// A simulated board keeps the slave of its pseudo-terminal open, so that it persists. It has the master too.
func TestASimulatedBoardIsNoHolder(t *testing.T) {
	_, path := openTerminal(t)
	startHolder(t, path+",/dev/ptmx")
	open(t, path)
}

// startHolder starts a program that has devices open until end is called.
func startHolder(t *testing.T, paths string) (program *exec.Cmd, end func()) {
	program = exec.Command(os.Args[0])
	program.Env = append(os.Environ(), "SERIALPORT_TEST_HOLD="+paths)
	stdin, err := program.StdinPipe()
	require.NoError(t, err)
	stdout, err := program.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, program.Start())
	end = sync.OnceFunc(func() {
		require.NoError(t, stdin.Close())
		require.NoError(t, program.Wait())
	})
	t.Cleanup(end)
	says, err := bufio.NewReader(stdout).ReadString('\n')
	require.NoError(t, err)
	require.Equal(t, "open\n", says)
	return program, end
}

func TestCloseEndsARead(t *testing.T) {
	_, path := openTerminal(t)
	p := open(t, path)
	ended := make(chan error, 1)
	go func() {
		_, err := p.Read(make([]byte, 10))
		ended <- err
	}()
	require.NoError(t, p.Close())
	require.ErrorIs(t, <-ended, os.ErrClosed)
	require.NoError(t, p.Close())
}

func TestCloseEndsAWriteThatWaits(t *testing.T) {
	_, path := openTerminal(t)
	p := open(t, path)
	ended := make(chan error, 1)
	go func() {
		for {
			if _, err := p.Write(make([]byte, 4096)); err != nil { // nobody reads
				ended <- err
				return
			}
		}
	}()
	require.NoError(t, p.Close())
	require.ErrorIs(t, <-ended, os.ErrClosed)
}

func TestAPortThatTakesNoMoreSaysSo(t *testing.T) {
	t.Parallel()
	_, path := openTerminal(t)
	p := open(t, path)
	var err error
	for err == nil {
		_, err = p.Write(make([]byte, 4096))
	}
	assert.ErrorIs(t, err, os.ErrDeadlineExceeded)
	assert.ErrorContains(t, err, "it takes no more bytes")
}

func TestUnpluggedIsSaid(t *testing.T) {
	far, path := openTerminal(t)
	p := open(t, path)
	ended := make(chan error, 1)
	go func() {
		_, err := p.Read(make([]byte, 10))
		ended <- err
	}()
	require.NoError(t, far.Close())
	err := <-ended
	require.ErrorIs(t, err, ErrUnplugged)
	assert.ErrorContains(t, err, path+": it is gone, the board was unplugged or lost its power: plug it in again")
	_, err = p.Write([]byte{0})
	require.ErrorIs(t, err, ErrUnplugged)
}

func TestWhatCannotBeOpenedIsSaid(t *testing.T) {
	_, err := Open("/dev/serial/by-id/nothing", 250000)
	require.ErrorIs(t, err, ErrAbsent)
	assert.ErrorContains(t, err, "/dev/serial/by-id/nothing: there is nothing: plug the board in")

	_, err = Open(os.DevNull, 250000)
	assert.ErrorContains(t, err, os.DevNull+": it is not a serial port")

	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	_, err = Open(file, 250000)
	assert.ErrorContains(t, err, "it is not a serial port")
}

func TestWithoutPermissionTheGroupIsNamed(t *testing.T) {
	if os.Getuid() != 0 {
		need.Missing(t, "giving a file to a group needs root")
	}
	file := filepath.Join(t.TempDir(), "port")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	const dialout = 20 // on Debian
	require.NoError(t, os.Chown(file, 0, dialout))
	assert.NotContains(t, cannotOpen(file, unix.EACCES).Error(), "usermod", "the group may not open it either")
	require.NoError(t, os.Chmod(file, 0o660))
	err := cannotOpen(file, unix.EACCES)
	require.ErrorIs(t, err, ErrDenied)
	assert.ErrorContains(t, err, `it belongs to the group dialout: sudo usermod -aG dialout "$USER", then log in again`)
}

func TestErrorsOfTheKernelAreSortedOut(t *testing.T) {
	for errno, want := range map[unix.Errno]error{
		unix.ENOENT: ErrAbsent, unix.ENODEV: ErrAbsent, unix.ENXIO: ErrAbsent, unix.EBUSY: ErrBusy,
		unix.EACCES: ErrDenied, unix.EPERM: ErrDenied, unix.EIO: unix.EIO,
	} {
		err := cannotOpen("/dev/ttyUSB7", errno)
		assert.ErrorIs(t, err, want)
		assert.ErrorContains(t, err, "serial port /dev/ttyUSB7: ")
	}
	p := &Port{path: "/dev/ttyUSB7"}
	for _, gone := range []error{io.EOF, unix.EIO, unix.ENODEV} {
		assert.ErrorIs(t, p.portError("reading", gone), ErrUnplugged)
	}
	assert.NotErrorIs(t, p.portError("reading", unix.EBADF), ErrUnplugged)
	assert.Equal(t, os.ErrClosed, p.portError("reading", os.ErrClosed))
	assert.NoError(t, p.portError("reading", nil))
}

// The kernel's struct has a pointer and a long in it.
func TestSerialSettingsAreAsLongAsTheKernels(t *testing.T) {
	want := map[uintptr]uintptr{8: 72, 4: 60}[unsafe.Sizeof(uintptr(0))]
	assert.Equal(t, want, unsafe.Sizeof(serialSettings{}))
}

func TestFindTakesTheOnlyPort(t *testing.T) {
	named, devices := t.TempDir(), t.TempDir()
	_, err := find(named, devices)
	require.ErrorIs(t, err, ErrAbsent)
	assert.ErrorContains(t, err, "none is plugged in: plug the board in")

	touch := func(parts ...string) string {
		path := filepath.Join(parts...)
		require.NoError(t, os.WriteFile(path, nil, 0o600))
		return path
	}
	touch(devices, "ttyS0")
	touch(devices, "ttyAMA0")
	_, err = find(named, devices)
	require.ErrorIs(t, err, ErrAbsent, "what is soldered in is not the board")

	usb := touch(devices, "ttyACM0")
	got, err := find(named, devices)
	require.NoError(t, err)
	assert.Equal(t, usb, got)

	first := touch(named, "usb-maker-1-if00-port0")
	touch(devices, "ttyUSB0")
	got, err = find(named, devices)
	require.NoError(t, err)
	assert.Equal(t, first, got)

	second := touch(named, "usb-maker-2-if00-port0")
	_, err = find(named, devices)
	require.ErrorIs(t, err, ErrSeveral)
	assert.Equal(t, 2, strings.Count(err.Error(), `port = "`))
	assert.ErrorContains(t, err, `port = "`+first+`"`)
	assert.ErrorContains(t, err, `port = "`+second+`"`)
	var e *Error
	require.True(t, errors.As(err, &e))
}
