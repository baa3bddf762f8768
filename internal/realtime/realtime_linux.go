package realtime

import (
	"context"
	"errors"
	"fmt"
	"io"

	"golang.org/x/sys/unix"
)

// NewClock measures how far Go's monotonic clock is from CLOCK_MONOTONIC, by which the kernel stamps edges.
func NewClock() (*Clock, error) {
	return newClock(func() (int64, error) {
		var ts unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
			return 0, fmt.Errorf("read the monotonic clock: %w", err)
		}
		return ts.Nano(), nil
	})
}

// NewLink makes fd the link. The descriptor becomes non-blocking.
func NewLink(fd int) (*Link, error) {
	if _, err := unix.GetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_TYPE); err != nil {
		return nil, fmt.Errorf("file descriptor %d is not a socket to a host: %w", fd, err)
	}
	unix.CloseOnExec(fd)
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, fmt.Errorf("make the link on file descriptor %d non-blocking: %w", fd, err)
	}
	return &Link{fd: fd, stream: descriptor(fd)}, nil
}

// Close closes the descriptor.
func (l *Link) Close() error { return unix.Close(l.fd) }

// descriptor is a non-blocking file descriptor.
type descriptor int

func (d descriptor) read(p []byte) (int, bool, error) {
	n, err := unix.Read(int(d), p)
	return result(n, err)
}

func (d descriptor) write(p []byte) (int, bool, error) {
	n, err := unix.Write(int(d), p)
	return result(n, err)
}

func result(n int, err error) (int, bool, error) {
	switch err {
	case nil:
		return n, false, nil
	case unix.EAGAIN, unix.EINTR:
		return 0, true, nil
	case unix.ECONNRESET, unix.EPIPE: // the host went, with or without reading all we sent
		return 0, false, io.EOF
	default:
		return 0, false, err
	}
}

// Waiter sleeps until a descriptor is ready or a time has come.
type Waiter struct {
	timer, wake int
	poll        []unix.PollFd // timer, wake, then the caller's
	stopWakes   func()        // after it, nobody writes to wake any more
}

// NewWaiter watches fds for reading. Once ctx is done, no sleep lasts.
func NewWaiter(ctx context.Context, fds ...int) (*Waiter, error) {
	timer, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return nil, fmt.Errorf("make a timer: %w", err)
	}
	wake, err := unix.Eventfd(0, unix.EFD_NONBLOCK|unix.EFD_CLOEXEC)
	if err != nil {
		unix.Close(timer)
		return nil, fmt.Errorf("make an event: %w", err)
	}
	w := &Waiter{timer: timer, wake: wake}
	for _, fd := range append([]int{timer, wake}, fds...) {
		w.poll = append(w.poll, unix.PollFd{Fd: int32(fd), Events: unix.POLLIN})
	}
	woken := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(woken)
		_, _ = unix.Write(wake, []byte{1, 0, 0, 0, 0, 0, 0, 0}) // any eight bytes but zeros make a count above 0
	})
	w.stopWakes = func() {
		if !stop() {
			<-woken
		}
	}
	return w, nil
}

// Sleep returns once a descriptor is ready, the monotonic time until (in nanoseconds; 0: no limit) has come, or the
// context is done. A time past returns at once with what is ready. With writable, the first descriptor being ready to
// take bytes counts too. timeUp reports that only the time ended the sleep.
func (w *Waiter) Sleep(until int64, writable bool) (timeUp bool, err error) {
	// The timer is absolute, so being interrupted between here and the poll makes nothing late; unlike a poll's own
	// time limit it has no slack.
	if until < 0 {
		until = 1
	}
	spec := unix.ItimerSpec{Value: unix.NsecToTimespec(until)}
	if err := unix.TimerfdSettime(w.timer, unix.TFD_TIMER_ABSTIME, &spec, nil); err != nil {
		return false, fmt.Errorf("set the timer: %w", err)
	}
	w.poll[2].Events = unix.POLLIN
	if writable {
		w.poll[2].Events |= unix.POLLOUT
	}
	n, err := w.ppoll(nil)
	if err != nil {
		return false, fmt.Errorf("wait for edges and the link: %w", err)
	}
	return n == 1 && w.poll[0].Revents != 0, nil
}

// Poll is Sleep without sleeping; it reports whether anything is ready.
func (w *Waiter) Poll() (any bool, err error) {
	var now unix.Timespec
	if _, err := w.ppoll(&now); err != nil {
		return false, fmt.Errorf("look at edges and the link: %w", err)
	}
	for i := range w.poll[1:] {
		if w.poll[1+i].Revents&^unix.POLLOUT != 0 {
			return true, nil
		}
	}
	return false, nil
}

// ppoll returns how many descriptors are ready, 0 if a signal interrupted it.
func (w *Waiter) ppoll(limit *unix.Timespec) (int, error) {
	n, err := unix.Ppoll(w.poll, limit, nil)
	if err == unix.EINTR {
		for i := range w.poll {
			w.poll[i].Revents = 0
		}
		return 0, nil
	}
	return n, err
}

// Ready reports whether descriptor i has something to read, is closed or has failed, as of the last Sleep or Poll.
func (w *Waiter) Ready(i int) bool {
	return w.poll[i+2].Revents&(unix.POLLIN|unix.POLLHUP|unix.POLLERR|unix.POLLNVAL) != 0
}

// Close ends the waiter. The descriptors it watched stay open.
func (w *Waiter) Close() error {
	w.stopWakes()
	return errors.Join(unix.Close(w.timer), unix.Close(w.wake))
}
