package board

import (
	"fmt"
	"strings"
	"time"

	"stillwater/internal/wire"
)

// maxText is how many bytes are kept for NotABoardError.Text.
const maxText = 64

// NotABoardError reports that the other end of the link did not identify itself as a board, and what it sent instead.
type NotABoardError struct {
	Within time.Duration
	Bytes  int    // received, other than zero
	Frames int    // valid frames among them
	Text   string // the beginning, if it is text
}

func (e *NotABoardError) Error() string {
	switch {
	case e.Bytes == 0:
		return fmt.Sprintf("nothing came from it within %v: it has no power or no firmware, or it is not a board", e.Within)
	case e.Frames > 0:
		return fmt.Sprintf("it speaks the board protocol, but did not fully identify itself within %v: bytes are being lost",
			e.Within)
	case e.Text != "":
		return fmt.Sprintf("it says %q, which no Stillwater board does: it runs other firmware", e.Text)
	}
	return fmt.Sprintf("it sends bytes that are not board frames, %d in %v: it runs other firmware, or at another speed",
		e.Bytes, e.Within)
}

// VersionError reports a board that speaks another version of the protocol.
type VersionError struct{ Theirs int }

// Older reports whether the board's version is the older one.
func (e *VersionError) Older() bool { return e.Theirs < wire.Version }

func (e *VersionError) Error() string {
	what := "update this program"
	if e.Older() {
		what = "put this program's firmware on the board"
	}
	return fmt.Sprintf("it speaks protocol version %d, this program version %d: %s", e.Theirs, wire.Version, what)
}

// recordUnidentified records what comes before the board is identified, for the error if it never is.
func (c *Client) recordUnidentified(p []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.known {
		return
	}
	for _, b := range p {
		if b != 0 {
			c.unidentified.Bytes++
		}
	}
	c.firstBytes = append(c.firstBytes, p[:min(len(p), maxText-len(c.firstBytes))]...)
}

// printableText is p as one line of text if nearly all of it is printable, else "".
func printableText(said []byte) string {
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
