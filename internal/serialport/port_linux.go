package serialport

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"stillwater/internal/devnode"
)

const (
	// writeTimeout bounds a write to a port that takes no more bytes. A frame takes 3 ms at 250000 baud.
	writeTimeout = time.Second
	// rateTolerance is the acceptable error of the port's rate. Two ends that sample each of a byte's ten bits in its
	// middle may be half a bit, 5 percent, apart in total; the board has an error of its own.
	rateTolerance = 0.02
)

// Port is an open serial port. It is safe for one reader and one writer at the same time, and for Close at any time.
type Port struct {
	// LowLatency reports that the driver accepted the flag to pass received bytes on at once. Without it some USB
	// adapters wait for more, 16 ms by default; others have no such timer and no such flag.
	LowLatency bool

	path string
	file *os.File
}

// Open opens the port raw, eight bits, no parity, one stop bit, no flow control, at baud bits a second, for this
// program alone. Opening resets many boards. Errors are *Error.
func Open(path string, baud int) (*Port, error) {
	file, err := openExclusive(path)
	if err != nil {
		return nil, err
	}
	p := &Port{path: path, file: file}
	if err := p.control(func(fd int) error { return configure(fd, baud) }); err != nil {
		p.Close()
		return nil, wrapError(path, fmt.Sprintf("setting it to %d baud", baud), err)
	}
	p.LowLatency = p.control(setLowLatency) == nil
	return p, nil
}

// Lock locks the port against every program that locks it, such as a daemon, until release is called. Programs that
// ignore locks, such as a firmware writer, can open it meanwhile.
func Lock(path string) (release func() error, err error) {
	file, err := openExclusive(path)
	if err != nil {
		return nil, err
	}
	return file.Close, nil
}

// openExclusive opens the device and locks it.
func openExclusive(path string) (*os.File, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, cannotOpen(path, err)
	}
	file := os.NewFile(uintptr(fd), path)
	if err := lock(path, fd); err != nil {
		file.Close()
		return nil, err
	}
	return file, nil
}

func cannotOpen(path string, err error) error {
	switch {
	case errors.Is(err, unix.ENOENT), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		return absent(path, err)
	case errors.Is(err, unix.EBUSY):
		return busy(path, holder(path), err)
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return denied(path, devnode.Group(path), err)
	}
	return failed(path, "opening it", err)
}

// lock fails if another program has the port, even one that takes no lock.
func lock(path string, fd int) error {
	if _, err := unix.IoctlGetTermios(fd, unix.TCGETS2); err != nil {
		return noPort(path, err)
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return busy(path, holder(path), err)
	}
	if who := holder(path); who != "" {
		return busy(path, who, nil)
	}
	return nil
}

// control calls do with the descriptor.
func (p *Port) control(do func(fd int) error) error {
	raw, err := p.file.SyscallConn()
	if err != nil {
		return err
	}
	var done error
	if err := raw.Control(func(fd uintptr) { done = do(int(fd)) }); err != nil {
		return err
	}
	return done
}

// configure makes the port raw in one call and checks that it accepted the rate.
func configure(fd, baud int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return err
	}
	t.Iflag, t.Oflag, t.Lflag = unix.IGNBRK, 0, 0
	// Without HUPCL the lines stay as they are when the port is closed, and a board that resets on them does not do so
	// at the next opening.
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.BOTHER
	t.Ispeed, t.Ospeed = uint32(baud), uint32(baud)
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS2, t); err != nil {
		return err
	}
	// The driver reports the rate that it set.
	if t, err = unix.IoctlGetTermios(fd, unix.TCGETS2); err != nil {
		return err
	}
	if off := float64(t.Ospeed)/float64(baud) - 1; math.Abs(off) > rateTolerance {
		return fmt.Errorf("it can do %d baud, which is %.1f%% off", t.Ospeed, 100*off)
	}
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		return err
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH)
}

// serialSettings is serial_struct of linux/serial.h.
type serialSettings struct {
	kind, line    int32
	port          uint32
	irq, flags    int32
	fifo, divisor int32
	baudBase      int32
	closeDelay    uint16
	ioType, hole  uint8
	hub           int32
	closingWait   uint16
	closingWait2  uint16
	memory        uintptr
	shift         uint16
	portHigh      uint32
	mapBase       uintptr
}

const lowLatency = 1 << 13 // ASYNC_LOW_LATENCY of linux/tty_flags.h

// setLowLatency asks the driver not to buffer received bytes. Many lack the flag.
func setLowLatency(fd int) error {
	var s serialSettings
	if err := settings(fd, unix.TIOCGSERIAL, &s); err != nil {
		return err
	}
	s.flags |= lowLatency
	if err := settings(fd, unix.TIOCSSERIAL, &s); err != nil {
		return err
	}
	if err := settings(fd, unix.TIOCGSERIAL, &s); err != nil {
		return err
	}
	if s.flags&lowLatency == 0 {
		return errors.ErrUnsupported // a driver may accept the flag and ignore it
	}
	return nil
}

func settings(fd int, request uintptr, s *serialSettings) error {
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(unsafe.Pointer(s))); e != 0 {
		return e
	}
	return nil
}

// Read waits for bytes. It ends with os.ErrClosed after Close, and with ErrUnplugged when the port is gone.
func (p *Port) Read(b []byte) (int, error) {
	n, err := p.file.Read(b)
	return n, p.portError("reading", err)
}

// Write writes all of b or returns an error.
func (p *Port) Write(b []byte) (int, error) {
	_ = p.file.SetWriteDeadline(time.Now().Add(writeTimeout)) // fails on a closed file, as Write then does
	n, err := p.file.Write(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = fmt.Errorf("it takes no more bytes: %w", err)
	}
	return n, p.portError("writing", err)
}

// portError recognises an unplugged port: after the kernel's hangup reads return EOF and everything else EIO.
func (p *Port) portError(doing string, err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, unix.EIO) || errors.Is(err, unix.ENODEV) || errors.Is(err, unix.ENXIO) {
		return unplugged(p.path, err)
	}
	return wrapError(p.path, doing, err)
}

// Close closes the port and ends reads and writes in progress.
func (p *Port) Close() error {
	// Otherwise a pseudo-terminal would stay exclusive for as long as its master is open.
	_ = p.control(func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCNXCL, 0) })
	if err := p.file.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		return failed(p.path, "closing it", err)
	}
	return nil
}

// holder names the program that has the device open, "" if there is none that this user can see.
func holder(path string) string {
	device, err := filepath.EvalSymlinks(path)
	if err != nil {
		return ""
	}
	processes, _ := filepath.Glob("/proc/[0-9]*")
	self := strconv.Itoa(os.Getpid())
	for _, process := range processes {
		pid := filepath.Base(process)
		if pid == self || !hasOpen(process, device) {
			continue
		}
		name, err := os.ReadFile(process + "/comm")
		if err != nil {
			continue // it has ended
		}
		return fmt.Sprintf("%s (process %s)", strings.TrimSpace(string(name)), pid)
	}
	return ""
}

// hasOpen reports whether a process has the device open. A process that has a pseudo-terminal's master too is the peer,
// not a competing reader.
func hasOpen(process, device string) bool {
	open, _ := filepath.Glob(process + "/fd/*")
	near, far := false, false
	for _, link := range open {
		at, err := os.Readlink(link)
		if err != nil {
			continue
		}
		near = near || at == device
		far = far || strings.HasSuffix(at, "/ptmx")
	}
	return near && !(far && strings.HasPrefix(device, "/dev/pts/"))
}
