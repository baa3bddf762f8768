package intake

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"stillwater/internal/phys"
	"stillwater/internal/textfile"
)

// Small files of a session's folder, beside the camera's.
const (
	referenceFile = ".reference.json"
	saidFile      = ".said.json"     // what people said of frames and was not looked at yet
	leftOutFile   = ".left-out.json" // frames that ended the program
	openFile      = ".open"          // the frame whose files are open
)

const maxNote = 1 << 20 // bytes

// readNote reads one; there may be none.
func (i *Intake) readNote(session int64, name string, into any) error {
	text, err := textfile.Read(filepath.Join(i.store.session(session), name), maxNote)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return json.Unmarshal(text, into)
}

func (i *Intake) writeNote(session int64, name string, note any) error {
	text, err := json.Marshal(note)
	if err != nil {
		return err
	}
	dir := i.store.session(session)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	return textfile.Replace(filepath.Join(dir, name), text, 0o600)
}

// reference is what frames of a session are measured against.
type reference struct {
	Empty     string      `json:"empty"`
	Width     phys.Length `json:"width"` // 0: as the set has it
	FromRight bool        `json:"from_right"`
}

func (i *Intake) readReference(session int64) (g reference) {
	if i.readNote(session, referenceFile, &g) != nil {
		return reference{} // it is chosen anew
	}
	return g
}

// said is what a person said of a frame: that it is a shot's, or that it is not, after all.
type said struct {
	Shot  int    `json:"shot"`
	Frame string `json:"frame"`
	Not   bool   `json:"not"`
}

// replaces reports whether it leaves nothing of something said before it.
func (s said) replaces(before said) bool { return s.Shot == before.Shot || s.Frame == before.Frame }

// text is it as contactsheet.Options.Settle takes it.
func (s said) text() string {
	if s.Not {
		return fmt.Sprintf("%d=none", s.Shot)
	}
	return fmt.Sprintf("%d=%s", s.Shot, s.Frame)
}

// opened notes which frame's files are open, until end: what is noted when the program starts has ended it.
func (i *Intake) opened(session int64, frame string) (end func(), err error) {
	path := filepath.Join(i.store.session(session), openFile)
	if err := os.WriteFile(path, []byte(frame), 0o600); err != nil { // the disk may be full: it is looked at all the same
		i.o.Log.Warn("which frame is looked at cannot be noted", "err", err)
		return func() {}, nil
	}
	return func() { os.Remove(path) }, nil
}

// leftOut are the frames of a session that are not opened: those that have ended the program.
func (i *Intake) leftOut(session int64) (names []string) {
	if err := i.readNote(session, leftOutFile, &names); err != nil {
		i.o.Log.Warn("which frames are left out cannot be read", "session", session, "err", err)
	}
	return names
}

// leaveOut leaves a frame out whose files were open when the program ended. Only who opens them may call it, before.
func (i *Intake) leaveOut(session int64) {
	path := filepath.Join(i.store.session(session), openFile)
	frame, err := os.ReadFile(path)
	if err != nil || len(frame) == 0 {
		return
	}
	i.notes.Lock()
	defer i.notes.Unlock()
	i.o.Log.Warn("the program ended while it looked at a frame, which is left out from now on", "session", session,
		"frame", string(frame))
	if i.writeNote(session, leftOutFile, append(i.leftOut(session), string(frame))) == nil {
		os.Remove(path)
	}
}

// tryAgain has a frame opened that was left out, as its file was sent again.
func (i *Intake) tryAgain(session int64, frame string) bool {
	i.notes.Lock()
	defer i.notes.Unlock()
	names := i.leftOut(session)
	at := slices.Index(names, frame)
	return at >= 0 && i.writeNote(session, leftOutFile, slices.Delete(names, at, at+1)) == nil
}

// errLeftOut is what is said of a frame that is not opened.
func errLeftOut(frame string) error {
	return fmt.Errorf("%s: the machine ended while it looked at this frame, so it is left out: to try once more, "+
		"send its file again", frame)
}
