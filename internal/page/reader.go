package page

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"stillwater/internal/control"
)

const (
	maxLingerBytes    = 256 << 10 // read after the end was decided here
	controlFrameBytes = 64        // what a ping counts of them
	maxDisarmBytes    = 256       // bytes of a disarm that is found among messages beyond the rate
)

// errReadAfterEnd ends reading.
var errReadAfterEnd = errors.New("the phone kept sending after the end")

// read handles messages until the connection ends. Each counts before it is decoded; beyond the phone's rate, and
// after the end was decided here, only a disarm is carried out.
func (k *socket) read(ctx context.Context, wg *sync.WaitGroup) {
	k.conn.SetReadLimit(readLimit)
	k.conn.SetPingHandler(k.handlePing)
	k.conn.SetPongHandler(func(string) error { _, err := k.countControl(); return err })
	k.conn.SetCloseHandler(func(int, string) error { return nil }) // write answers it, last of all
	buffer := make([]byte, maxMessageBytes+1)
	for {
		kind, data, err := k.next(buffer)
		if err != nil {
			k.broken = !errors.As(err, new(*websocket.CloseError)) && !errors.As(err, new(net.Error))
			if errors.Is(err, errTooManyBytes) {
				k.endFlood()
			}
			k.stop(websocket.CloseNormalClosure, "read: "+err.Error())
			return
		}
		k.noteActivity()
		within := k.limits.messages.Allow()
		if disarm, ok := findDisarm(kind, data); ok {
			k.disarm(context.WithoutCancel(ctx), disarm.n, disarm.cmd, wg)
			if !within {
				k.limits.messages.Wait(ctx) // a disarm waits for nothing, but what comes after it does
			}
			continue
		}
		switch {
		case k.hasEnded():
			if k.lateBytes += len(data) + controlFrameBytes; k.lateBytes > maxLingerBytes {
				k.broken = true
				return
			}
		case within:
			k.handleMessage(ctx, kind, data, wg)
		default:
			k.handleExcess(data)
		}
	}
}

// next is the next message, or the beginning of one that is too long.
func (k *socket) next(buffer []byte) (kind int, data []byte, err error) {
	kind, message, err := k.conn.NextReader()
	if err != nil {
		return 0, nil, err
	}
	n, err := io.ReadFull(message, buffer)
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil
	}
	return kind, buffer[:n], err
}

// findDisarm recognizes a disarm as the page sends it, whatever the rate. Only what is short and has the word is
// decoded for that, so a flood costs little; a message with the word that is no disarm is decoded twice.
func findDisarm(kind int, data []byte) (r request, ok bool) {
	if kind != websocket.TextMessage || len(data) > maxDisarmBytes || !bytes.Contains(data, []byte(`"disarm"`)) {
		return r, false
	}
	n, cmd, refusal := decode(data)
	return request{n, cmd}, refusal == nil && cmd.Type == "disarm"
}

// handleMessage carries out a message, or answers what is wrong with it.
func (k *socket) handleMessage(ctx context.Context, kind int, data []byte, wg *sync.WaitGroup) {
	n, cmd, refusal := decode(data)
	if kind != websocket.TextMessage {
		n, refusal = 0, malformed("", "the message is not text")
	}
	switch {
	case len(data) > maxMessageBytes && !k.limits.refusals.AllowN(time.Now(), oversizeCost):
		k.endFlood()
	case refusal != nil:
		k.reply(n, refusal)
	case cmd.Type == "disarm":
		k.disarm(context.WithoutCancel(ctx), n, cmd, wg)
	default:
		k.enqueue(request{n, cmd})
	}
}

// handleExcess answers a message beyond the rate, or ends the connection when there were too many.
func (k *socket) handleExcess(data []byte) {
	if !k.limits.refusals.Allow() {
		k.endFlood()
		return
	}
	n, _, _ := decode(data)
	k.reply(n, &control.Refusal{Why: "Too many messages at once.", Remedy: "Wait a moment and try again."})
}

func (k *socket) endFlood() {
	k.limits.connects.ReserveN(time.Now(), floodCost)
	k.stop(websocket.ClosePolicyViolation, "too many messages")
}

// handlePing answers a ping, as long as they come within the rate.
func (k *socket) handlePing(data string) error {
	answer, err := k.countControl()
	if !answer {
		return err
	}
	err = k.conn.WriteControl(websocket.PongMessage, []byte(data), time.Now().Add(writeTimeout))
	if errors.Is(err, websocket.ErrCloseSent) || errors.As(err, new(net.Error)) {
		return nil // write handles it
	}
	return err
}

// countControl counts a ping or pong as a message, and reports whether it is within the rate.
func (k *socket) countControl() (within bool, err error) {
	k.noteActivity()
	switch {
	case k.hasEnded():
		if k.lateBytes += controlFrameBytes; k.lateBytes > maxLingerBytes {
			return false, errReadAfterEnd
		}
	case k.limits.messages.Allow():
		return true, nil
	case !k.limits.refusals.Allow():
		k.endFlood()
	}
	return false, nil
}

func (k *socket) hasEnded() bool {
	select {
	case <-k.ended:
		return true
	default:
		return false
	}
}
