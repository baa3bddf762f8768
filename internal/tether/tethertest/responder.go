// Package tethertest is a camera on the network for tests, as a PTP/IP client sees it: a responder of ISO 15740 (the
// datasets, operations and responses) over TCP (CIPA DC-005: the packets). Its codes are from memory, and the library
// that the tests run is the check of them.
package tethertest

import (
	"encoding/binary"
	"io"
	"net"
	"slices"
	"sync"
	"testing"
	"unicode/utf16"
)

// Fault is what a camera does wrong as it sends a file.
type Fault int

// One fault a file; None sends it as it is.
const (
	None       Fault = iota
	Stops            // in the middle, and says nothing more
	HangsUp          // in the middle
	Truncated        // the object has half of the bytes
	TooLong          // the object has more bytes than were said
	Endless          // it goes on and on
	BadLength        // a packet says that it is shorter than its own header
	HugeLength       // a packet says that it has 4 GB
	Mute             // it does not answer at all
)

// Object is a file on the camera.
type Object struct {
	Name    string
	Content []byte
	Fault   Fault
	Once    bool // the fault is gone when the file is asked for again
}

// Camera is a camera that answers. Its files are in the folder 100TEST.
type Camera struct {
	address string
	mu      sync.Mutex
	served  sync.WaitGroup
	open    net.Listener
	objects []Object
	asked   int // for files
	listed  int
	conns   map[net.Conn]bool
}

// Start makes a camera that answers until the test ends.
func Start(t testing.TB, objects ...Object) *Camera {
	t.Helper()
	c := &Camera{address: "127.0.0.1:0", objects: objects, conns: map[net.Conn]bool{}}
	c.Open(t)
	t.Cleanup(func() {
		c.Close()
		c.served.Wait()
	})
	return c
}

// Open has the camera answer again, at the port that it had.
func (c *Camera) Open(t testing.TB) {
	t.Helper()
	listener, err := net.Listen("tcp", c.address)
	if err != nil {
		t.Fatal(err)
	}
	c.mu.Lock()
	c.open, c.address = listener, listener.Addr().String()
	c.mu.Unlock()
	c.served.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			c.served.Go(func() { c.serve(conn) })
		}
	})
}

// Close ends all connections, and takes no more.
func (c *Camera) Close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.open.Close()
	for conn := range c.conns {
		conn.Close()
	}
}

// Port is how gphoto2 names it.
func (c *Camera) Port() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	_, port, _ := net.SplitHostPort(c.address)
	return "ptpip:127.0.0.1:" + port + ":" + port
}

// Add puts a file on the camera.
func (c *Camera) Add(o Object) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.objects = append(c.objects, o)
}

// Asked is how often a file was asked for.
func (c *Camera) Asked() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.asked
}

// Listed is how often what is in its folders was asked for.
func (c *Camera) Listed() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.listed
}

// Connections is how many there are.
func (c *Camera) Connections() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.conns)
}

// Packets.
const (
	initCommand, initCommandAck, initEvent, initEventAck = 1, 2, 3, 4
	request, response, startData, data, endData          = 6, 7, 9, 10, 12
	ping, pong                                           = 13, 14
)

// Operations, responses and formats.
const (
	getDeviceInfo, openSession, closeSession          = 0x1001, 0x1002, 0x1003
	getStorageIDs, getStorageInfo                     = 0x1004, 0x1005
	getObjectHandles, getObjectInfo, getObject        = 0x1007, 0x1008, 0x1009
	ok, notSupported, invalidHandle            uint16 = 0x2001, 0x2005, 0x2009
	jpegFormat, folderFormat                   uint16 = 0x3801, 0x3001

	storage        = 0x00010001
	dcim, folder   = 0x10, 0x11
	firstObject    = 0x100
	wholeStorage   = 0xffffffff
	partOfAnObject = 4096
)

// serve answers on a connection: the first one is for operations, the second for events.
func (c *Camera) serve(conn net.Conn) {
	c.mu.Lock()
	c.conns[conn] = true
	c.mu.Unlock()
	defer func() {
		conn.Close()
		c.mu.Lock()
		delete(c.conns, conn)
		c.mu.Unlock()
	}()
	for {
		kind, body, err := readPacket(conn)
		if err != nil {
			return
		}
		switch {
		case kind == initCommand:
			ack := make([]byte, 4+16)
			ack[0] = 1 // the connection's number
			ack = append(append(ack, utf16z("Test camera")...), 0, 0, 1, 0)
			err = writePacket(conn, initCommandAck, ack)
		case kind == initEvent:
			err = writePacket(conn, initEventAck, nil)
		case kind == ping:
			err = writePacket(conn, pong, nil)
		case kind == request && len(body) >= 10:
			err = c.answer(conn, body)
		}
		if err != nil {
			return
		}
	}
}

// answer carries out an operation.
func (c *Camera) answer(conn net.Conn, body []byte) error {
	code, transaction := binary.LittleEndian.Uint16(body[4:]), binary.LittleEndian.Uint32(body[6:])
	param := func(n int) uint32 {
		if at := 10 + 4*n; len(body) >= at+4 {
			return binary.LittleEndian.Uint32(body[at:])
		}
		return 0
	}
	c.mu.Lock()
	objects := slices.Clone(c.objects)
	if at := int(param(0)) - firstObject; code == getObject && at >= 0 && at < len(objects) {
		c.asked++
		if c.objects[at].Once {
			c.objects[at].Fault = None
		}
	}
	if code == getObjectHandles {
		c.listed++
	}
	c.mu.Unlock()
	status, answer := ok, []byte(nil)
	switch code {
	case openSession, closeSession:
	case getDeviceInfo:
		answer = deviceInfo()
	case getStorageIDs:
		answer = list32(storage)
	case getStorageInfo:
		answer = storageInfo()
	case getObjectHandles:
		answer = handles(param(2), len(objects))
	case getObjectInfo:
		if answer = objectInfo(param(0), objects); answer == nil {
			status = invalidHandle
		}
	case getObject:
		at := int(param(0)) - firstObject
		if at < 0 || at >= len(objects) {
			status = invalidHandle
			break
		}
		if err := c.send(conn, transaction, objects[at]); err != nil {
			return err
		}
	default:
		status = notSupported
	}
	if answer != nil {
		if err := sendData(conn, transaction, answer); err != nil {
			return err
		}
	}
	return respond(conn, status, transaction)
}

// send sends a file, with its fault.
func (c *Camera) send(conn net.Conn, transaction uint32, o Object) error {
	content := o.Content
	switch half := content[:len(content)/2]; o.Fault {
	case Truncated:
		content = half
	case TooLong:
		content = append(append([]byte{}, content...), content...)
	case Mute:
		drain(conn)
		return io.EOF
	case Stops, HangsUp, BadLength, HugeLength, Endless:
		if err := start(conn, transaction, uint64(len(content))); err != nil {
			return err
		}
		if err := writePacket(conn, data, append(u32(nil, transaction), half...)); err != nil {
			return err
		}
		return c.misbehave(conn, transaction, o.Fault)
	}
	return sendData(conn, transaction, content)
}

// misbehave goes on after the half of a file.
func (c *Camera) misbehave(conn net.Conn, transaction uint32, fault Fault) error {
	switch fault {
	case Stops:
		drain(conn)
	case BadLength:
		_, _ = conn.Write(u32(u32(nil, 3), data))
		drain(conn)
	case HugeLength:
		_, _ = conn.Write(u32(u32(u32(nil, 0xfffffff0), data), transaction))
		drain(conn)
	case Endless:
		more := append(u32(nil, transaction), make([]byte, 64<<10)...)
		for {
			if err := writePacket(conn, data, more); err != nil {
				return err
			}
		}
	}
	return io.EOF
}

// drain reads and answers nothing until the other end is gone.
func drain(conn net.Conn) { _, _ = io.Copy(io.Discard, conn) }

func start(conn net.Conn, transaction uint32, size uint64) error {
	return writePacket(conn, startData, binary.LittleEndian.AppendUint64(u32(nil, transaction), size))
}

func sendData(conn net.Conn, transaction uint32, content []byte) error {
	if err := start(conn, transaction, uint64(len(content))); err != nil {
		return err
	}
	for len(content) > partOfAnObject {
		if err := writePacket(conn, data, append(u32(nil, transaction), content[:partOfAnObject]...)); err != nil {
			return err
		}
		content = content[partOfAnObject:]
	}
	return writePacket(conn, endData, append(u32(nil, transaction), content...))
}

func respond(conn net.Conn, code uint16, transaction uint32) error {
	return writePacket(conn, response, u32(binary.LittleEndian.AppendUint16(nil, code), transaction))
}

func readPacket(conn net.Conn) (kind uint32, body []byte, err error) {
	var head [8]byte
	if _, err := io.ReadFull(conn, head[:]); err != nil {
		return 0, nil, err
	}
	size := binary.LittleEndian.Uint32(head[:])
	if size < 8 || size > 1<<16 {
		return 0, nil, io.ErrUnexpectedEOF
	}
	body = make([]byte, size-8)
	_, err = io.ReadFull(conn, body)
	return binary.LittleEndian.Uint32(head[4:]), body, err
}

func writePacket(conn net.Conn, kind uint32, body []byte) error {
	_, err := conn.Write(append(u32(u32(nil, uint32(8+len(body))), kind), body...))
	return err
}

func u16(b []byte, values ...uint16) []byte {
	for _, v := range values {
		b = binary.LittleEndian.AppendUint16(b, v)
	}
	return b
}

func u32(b []byte, values ...uint32) []byte {
	for _, v := range values {
		b = binary.LittleEndian.AppendUint32(b, v)
	}
	return b
}

func utf16z(text string) []byte { return u16(nil, append(utf16.Encode([]rune(text)), 0)...) }

// str is a string of a dataset: its number of characters with the zero at its end, and those.
func str(b []byte, text string) []byte {
	if text == "" {
		return append(b, 0)
	}
	z := utf16z(text)
	return append(append(b, byte(len(z)/2)), z...)
}

func list16(b []byte, values ...uint16) []byte { return u16(u32(b, uint32(len(values))), values...) }

func list32(values ...uint32) []byte { return u32(u32(nil, uint32(len(values))), values...) }

func deviceInfo() []byte {
	b := u16(u32(u16(nil, 100), 0), 0) // version 1.00, no vendor's extension
	b = u16(str(b, ""), 0)
	b = list16(b, getDeviceInfo, openSession, closeSession, getStorageIDs, getStorageInfo, getObjectHandles, getObjectInfo,
		getObject)
	b = list16(list16(b)) // no events and no properties
	b = list16(list16(b, jpegFormat), jpegFormat)
	for _, text := range []string{"Test", "Test camera", "1", "1"} {
		b = str(b, text)
	}
	return b
}

func storageInfo() []byte {
	b := u16(nil, 3, 2, 0) // fixed RAM, folders, read and write
	b = binary.LittleEndian.AppendUint64(b, 1<<34)
	b = binary.LittleEndian.AppendUint64(b, 1<<33)
	return str(str(u32(b, 1000), "card"), "")
}

// handles returns the object handles in a folder, or all.
func handles(parent uint32, objects int) []byte {
	var all []uint32
	in := func(of uint32) bool { return parent == of || parent == 0 }
	if in(wholeStorage) {
		all = append(all, dcim)
	}
	if in(dcim) {
		all = append(all, folder)
	}
	for i := range objects {
		if in(folder) {
			all = append(all, firstObject+uint32(i))
		}
	}
	return list32(all...)
}

// objectInfo is nil for a handle that there is not.
func objectInfo(handle uint32, objects []Object) []byte {
	format, association, parent, name, size := folderFormat, uint16(1), uint32(0), "DCIM", 0
	switch at := int(handle) - firstObject; {
	case handle == dcim:
	case handle == folder:
		parent, name = dcim, "100TEST"
	case at >= 0 && at < len(objects):
		format, association, parent, name, size = jpegFormat, 0, folder, objects[at].Name, len(objects[at].Content)
	default:
		return nil
	}
	b := u32(u16(u32(nil, storage), format, 0), uint32(size))
	b = u32(u16(b, 0), 0, 0, 0, 0, 0, 0) // no thumbnail, and the picture's size is not said
	b = u32(u16(u32(b, parent), association), 0, 0)
	const when = "20261130T203000"
	return str(str(str(str(b, name), when), when), "")
}
