//go:build card

package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const diskBlock = 4096

// disk is a memory card that an emulated machine has over NBD. Like a real one it keeps what was written in a memory
// of its own until it is asked to flush; when the power is cut, a part of that is lost, and the rest is there in any
// order.
type disk struct {
	path string // the image, which is only read
	size int64

	mu       sync.Mutex
	base     *os.File
	kept     map[int64][]byte // by block
	pending  map[int64][]byte // not flushed
	flushes  int
	written  int // blocks
	lost     int // blocks, in all cuts
	survived int
}

func newDisk(t *testing.T, image string) *disk {
	t.Helper()
	base, err := os.Open(image)
	require.NoError(t, err)
	t.Cleanup(func() { base.Close() })
	info, err := base.Stat()
	require.NoError(t, err)
	return &disk{path: image, size: info.Size(), base: base, kept: map[int64][]byte{}, pending: map[int64][]byte{}}
}

// block is one block as it is read now.
func (d *disk) block(n int64) ([]byte, error) {
	if b, ok := d.pending[n]; ok {
		return b, nil
	}
	if b, ok := d.kept[n]; ok {
		return b, nil
	}
	b := make([]byte, diskBlock)
	if _, err := d.base.ReadAt(b, n*diskBlock); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	return b, nil
}

// each calls f for every block that a range touches, with the part of the range and the place in the block.
func each(at int64, p []byte, f func(n int64, part []byte, from int) error) error {
	for len(p) > 0 {
		n, from := at/diskBlock, int(at%diskBlock)
		size := min(diskBlock-from, len(p))
		if err := f(n, p[:size], from); err != nil {
			return err
		}
		p, at = p[size:], at+int64(size)
	}
	return nil
}

func (d *disk) ReadAt(p []byte, at int64) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(p), each(at, p, func(n int64, part []byte, from int) error {
		b, err := d.block(n)
		copy(part, b[min(from, len(b)):])
		return err
	})
}

func (d *disk) WriteAt(p []byte, at int64) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(p), each(at, p, func(n int64, part []byte, from int) error {
		old, err := d.block(n)
		if err != nil {
			return err
		}
		b := append([]byte(nil), old...)
		copy(b[from:], part)
		d.pending[n] = b
		d.written++
		return nil
	})
}

func (d *disk) flush() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for n, b := range d.pending {
		d.kept[n] = b
	}
	clear(d.pending)
	d.flushes++
}

// blocksWritten is how many blocks were written so far.
func (d *disk) blocksWritten() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.written
}

// cut cuts the power: of what was not flushed about half is lost.
func (d *disk) cut(chance *rand.Rand) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for n, b := range d.pending {
		if chance.IntN(2) == 0 {
			d.lost++
			continue
		}
		d.kept[n] = b
		d.survived++
	}
	clear(d.pending)
}

// serve offers the disk at a socket until the test ends. It speaks the part of the NBD protocol that QEMU needs
// (https://github.com/NetworkBlockDevice/nbd/blob/master/doc/proto.md, from memory).
func (d *disk) serve(t *testing.T) (socket string) {
	t.Helper()
	socket = filepath.Join(t.TempDir(), "disk.sock")
	listener, err := new(net.ListenConfig).Listen(t.Context(), "unix", socket)
	require.NoError(t, err)
	t.Cleanup(func() { listener.Close() })
	go func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				_ = d.talk(c) // a machine that was killed says no goodbye
			}()
		}
	}()
	return socket
}

const (
	nbdMagic, nbdOption, nbdReply  = 0x4e42444d41474943, 0x49484156454f5054, 0x3e889045565a9
	nbdRequest, nbdAnswer          = 0x25609513, 0x67446698
	nbdGo, nbdAck, nbdInfo         = 7, 1, 3
	nbdUnsupported                 = 1<<31 | 1
	nbdRead, nbdWrite, nbdDisc     = 0, 1, 2
	nbdFlush                       = 3
	nbdHasFlags, nbdCanFlush       = 1, 4
	nbdInvalid                     = 22
	nbdFixedNewstyle, nbdNoZeroes  = 1, 2
	nbdMaxBytes                    = 64 << 20
	nbdOptionHead, nbdRequestBytes = 16, 28
)

func (d *disk) talk(c net.Conn) error {
	big := binary.BigEndian
	hello := big.AppendUint16(big.AppendUint64(big.AppendUint64(nil, nbdMagic), nbdOption), nbdFixedNewstyle|nbdNoZeroes)
	if _, err := c.Write(hello); err != nil {
		return err
	}
	if _, err := io.ReadFull(c, make([]byte, 4)); err != nil {
		return err
	}
	for agreed := false; !agreed; {
		var head [nbdOptionHead]byte
		if _, err := io.ReadFull(c, head[:]); err != nil {
			return err
		}
		option, size := big.Uint32(head[8:]), big.Uint32(head[12:])
		if size > diskBlock {
			return fmt.Errorf("an option of %d bytes", size)
		}
		if _, err := io.ReadFull(c, make([]byte, size)); err != nil {
			return err
		}
		reply := func(kind uint32, data []byte) []byte {
			r := big.AppendUint32(big.AppendUint32(big.AppendUint64(nil, nbdReply), option), kind)
			return append(big.AppendUint32(r, uint32(len(data))), data...)
		}
		answer := reply(nbdUnsupported, nil)
		if option == nbdGo {
			info := big.AppendUint16(big.AppendUint64([]byte{0, 0}, uint64(d.size)), nbdHasFlags|nbdCanFlush)
			answer, agreed = append(reply(nbdInfo, info), reply(nbdAck, nil)...), true
		}
		if _, err := c.Write(answer); err != nil {
			return err
		}
	}
	for {
		if done, err := d.request(c); done || err != nil {
			return err
		}
	}
}

// request carries out one request.
func (d *disk) request(c net.Conn) (done bool, err error) {
	big := binary.BigEndian
	var head [nbdRequestBytes]byte
	if _, err := io.ReadFull(c, head[:]); err != nil {
		return true, err
	}
	kind, at, size := big.Uint16(head[6:]), int64(big.Uint64(head[16:])), big.Uint32(head[24:])
	if big.Uint32(head[:]) != nbdRequest || size > nbdMaxBytes {
		return true, errors.New("no request")
	}
	failed, data := uint32(0), []byte(nil)
	switch kind {
	case nbdRead:
		data = make([]byte, size)
		_, err = d.ReadAt(data, at)
	case nbdWrite:
		data = make([]byte, size)
		if _, err := io.ReadFull(c, data); err != nil {
			return true, err // the power was cut in the middle of it
		}
		_, err = d.WriteAt(data, at)
		data = nil
	case nbdFlush:
		d.flush()
	case nbdDisc:
		return true, nil
	default:
		failed = nbdInvalid
	}
	if err != nil {
		return true, err
	}
	answer := big.AppendUint32(big.AppendUint32(nil, nbdAnswer), failed)
	_, err = c.Write(append(append(answer, head[8:16]...), data...))
	return false, err
}

// What was flushed stays, of the rest some goes.
func TestADiskForgetsWhatWasNotFlushed(t *testing.T) {
	image := filepath.Join(t.TempDir(), "image")
	require.NoError(t, os.WriteFile(image, make([]byte, 64*diskBlock), 0o600))
	d := newDisk(t, image)
	read := func(block int64) byte {
		var p [1]byte
		_, err := d.ReadAt(p[:], block*diskBlock+5)
		require.NoError(t, err)
		return p[0]
	}
	write := func(value byte) {
		for block := range int64(64) {
			_, err := d.WriteAt([]byte{value}, block*diskBlock+5)
			require.NoError(t, err)
			assert.Equal(t, value, read(block))
		}
	}
	write(1)
	d.flush()
	write(2)
	d.cut(rand.New(rand.NewPCG(1, 2)))
	count := map[byte]int{}
	for block := range int64(64) {
		count[read(block)]++
	}
	assert.Equal(t, 64, count[1]+count[2])
	assert.Greater(t, count[1], 10)
	assert.Greater(t, count[2], 10)
	assert.Equal(t, d.lost, count[1])
}
