package board

import (
	"fmt"
	"strings"
	"time"

	"stillwater/internal/wire"
)

// mostText is how much of what a stranger says is kept.
const mostText = 64

// StrangerError says that whatever is at the other end never said what board it is, and what came instead.
type StrangerError struct {
	Within time.Duration
	Bytes  int    // received, other than zero
	Frames int    // sound ones among them
	Text   string // the beginning, when it can be read
}

func (e *StrangerError) Error() string {
	switch {
	case e.Bytes == 0:
		return fmt.Sprintf("nothing at all came from it within %v: it has no power, no firmware, or it is no board",
			e.Within)
	case e.Frames > 0:
		return fmt.Sprintf("it speaks the board protocol, but %v were not enough to hear all of what it is: "+
			"bytes are lost on the way", e.Within)
	case e.Text != "":
		return fmt.Sprintf("it says %q, as no Stillwater board does: other firmware is on it", e.Text)
	}
	return fmt.Sprintf("it sends what is no frame of a board, %d bytes in %v: other firmware is on it, or it has another "+
		"speed", e.Bytes, e.Within)
}

// VersionError says that a board speaks another version of the protocol than this program.
type VersionError struct{ Theirs int }

// Older says whether it is the board that is behind.
func (e *VersionError) Older() bool { return e.Theirs < wire.Version }

func (e *VersionError) Error() string {
	what := "update this program"
	if e.Older() {
		what = "put this program's firmware on the board"
	}
	return fmt.Sprintf("it speaks protocol version %d, this program version %d: %s", e.Theirs, wire.Version, what)
}

// hearStranger keeps what comes before the board is known, to say what it was if it never is.
func (c *Client) hearStranger(p []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.known {
		return
	}
	for _, b := range p {
		if b != 0 {
			c.stranger.Bytes++
		}
	}
	c.said = append(c.said, p[:min(len(p), mostText-len(c.said))]...)
}

// readable is what was said, if people can read it: nearly all of it printable, by the line.
func readable(said []byte) string {
	var text strings.Builder
	printable := 0
	for _, b := range said {
		switch {
		case b >= ' ' && b <= '~':
			printable++
			text.WriteByte(b)
		case b == '\r' || b == '\n' || b == '\t':
			printable++
			text.WriteByte(' ')
		}
	}
	if len(said) == 0 || printable*10 < len(said)*9 {
		return ""
	}
	return strings.Join(strings.Fields(text.String()), " ")
}
