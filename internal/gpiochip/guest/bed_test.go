//go:build guest

package guest

import (
	"bytes"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/board/boardtest"
	"stillwater/internal/wire"
)

// TestBoard holds the real board process, on two chips and with lines of either polarity, to the protocol.
func TestBoard(t *testing.T) {
	boardtest.Run(t, func(t *testing.T) boardtest.Bed { return newBed(t, false) })
}

// TestBoardService does so with a board that is a service of its own, with a socket and a heartbeat.
func TestBoardService(t *testing.T) {
	boardtest.Run(t, func(t *testing.T) boardtest.Bed { return newBed(t, true) })
}

// bedHeartbeat is the line of the heartbeat, if there is one.
const bedHeartbeat = 5

const bedBeats = `
[board.heartbeat]
chip = "fire"
line = 5
`

const bedConfig = `
[board]
kind = "gpio"

[[board.input]]
name = "gate"
role = "gate"
pin = "sense-0"
active = "low"

[[board.input]]
name = "stop"
role = "kill"
pin = "sense-1"
active = "high"

[[board.input]]
name = "beam"
role = "beam"
pin = "fire-7"
active = "low"

[[board.output]]
name = "shutter"
kind = "shutter"
pin = "fire-0"
safe = "low"
longest_on = "5 s"

[[board.output]]
name = "flash"
kind = "flash"
pin = "fire-1"
safe = "high"
longest_on = "20 ms"

[[board.output]]
name = "valve"
kind = "valve"
pin = "sense-2"
safe = "low"
longest_on = "100 ms"
`

// bed is a board process whose lines a test toggles and whose outputs the kernel's own record tells.
type bed struct {
	t        *testing.T
	config   string
	socket   string // "": the board is started as the daemon does
	inputs   [3]func(high bool)
	outputs  map[int]*bedOutput // by number in the record
	beat     int                // number of the heartbeat's line in the record
	beats    int                // changes of it
	record   int                // trace_pipe
	unread   []byte             // the beginning of a line of it
	board    *boardProcess
	received *received
}

type bedOutput struct {
	index uint8
	safe  bool
	level bool
}

// received gathers what one process says.
type received struct {
	mu    sync.Mutex
	bytes []byte
}

func newBed(t *testing.T, service bool) *bed {
	sense, fire := newChip(t, "sense", 3), newChip(t, "fire", 8)
	b := &bed{t: t, config: filepath.Join(t.TempDir(), "stillwater.toml"), beat: fire.base + bedHeartbeat}
	text := bedConfig
	if service {
		b.socket = filepath.Join(t.TempDir(), "board.sock")
		text += bedBeats
	}
	require.NoError(t, os.WriteFile(b.config, []byte(text), 0o644))
	b.inputs = [3]func(bool){
		func(high bool) { sense.pull(0, high) },
		func(high bool) { sense.pull(1, high) },
		func(high bool) { fire.pull(7, high) },
	}
	b.Set(0, true)
	b.Set(2, true)
	fire.pull(1, true)
	b.outputs = map[int]*bedOutput{
		fire.base + 0:  {index: 0},
		fire.base + 1:  {index: 1, safe: true, level: true},
		sense.base + 2: {index: 2},
	}
	startTrace(t)
	var err error
	b.record, err = unix.Open(tracing+"/trace_pipe", unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	require.NoError(t, err)
	b.start()
	return b
}

func (b *bed) start() {
	p := startBoard(b.t, b.config, b.socket)
	r := &received{}
	b.board, b.received = p, r
	go func() {
		buffer := make([]byte, 4096)
		for {
			n, err := p.link.Read(buffer)
			r.mu.Lock()
			r.bytes = append(r.bytes, buffer[:n]...)
			r.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
}

func (b *bed) Wiring() boardtest.Wiring {
	return boardtest.Wiring{Gate: 0, Clock: 2, BrokenHigh: false, Kill: 1, KillHigh: true, Shutter: 0, Flash: 1, Valve: 2}
}

func (b *bed) Send(p []byte) {
	_, err := b.board.link.Write(p)
	require.NoError(b.t, err)
}

func (b *bed) Receive() []byte {
	b.received.mu.Lock()
	defer b.received.mu.Unlock()
	p := b.received.bytes
	b.received.bytes = nil
	return p
}

func (b *bed) Set(input uint8, high bool) wire.Tick {
	b.inputs[input](high)
	return 0 // nothing here is exact
}

func (b *bed) Sleep(d time.Duration) { time.Sleep(d) }

func (b *bed) Changes() []boardtest.Change {
	var changes []boardtest.Change
	for _, r := range b.readPipe() {
		if r.Line == b.beat && r.What == "set" {
			b.beats++
		}
		out := b.outputs[r.Line]
		if out == nil || r.What != "set" || r.High == out.level {
			continue
		}
		out.level = r.High
		changes = append(changes, boardtest.Change{Output: out.index, On: r.High != out.safe})
	}
	return changes
}

// readPipe takes the kernel's new records, without waiting for any.
func (b *bed) readPipe() []record {
	buffer := make([]byte, 16<<10)
	for {
		n, err := unix.Read(b.record, buffer)
		if err == unix.EAGAIN || n == 0 {
			break
		}
		require.NoError(b.t, err)
		b.unread = append(b.unread, buffer[:n]...)
	}
	end := bytes.LastIndexByte(b.unread, '\n') + 1
	records := parseTrace(b.t, string(b.unread[:end]))
	b.unread = b.unread[end:]
	return records
}

func (b *bed) Exact() bool { return false }

func (b *bed) Restart() {
	b.board.kill()
	b.start()
}

func (b *bed) Close() {
	b.board.stop()
	if b.socket != "" {
		b.Changes()
		require.Greater(b.t, b.beats, 10, "the heartbeat beats")
	}
	require.NoError(b.t, unix.Close(b.record))
}
