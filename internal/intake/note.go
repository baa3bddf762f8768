package intake

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"stillwater/internal/background"
	"stillwater/internal/regular"
	"stillwater/internal/textfile"
)

// Small files of a session's folder, beside the camera's.
const (
	leftOutFile = ".left-out.json" // frames that ended the program
	openFile    = ".open"          // the frame whose files are open
	newsFile    = ".new"           // is there while files that came were not looked at
)

const maxNote = 4 << 20 // bytes

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

// opened notes whose files are open, until end: a note found when the program starts names the frame that ended it.
// Only one frame's files are open at a time, so that no two are decoded in the memory of one.
func (i *Intake) opened(session int64, frame string) (end func(), err error) {
	i.decoding.Lock()
	background.CollectIfDue()
	path := filepath.Join(i.store.session(session), openFile)
	if err := putNote(path, frame); err != nil { // the disk may be full: it is looked at all the same
		i.o.Log.Warn("cannot note which frame is being read", "err", err)
	}
	return func() {
		os.Remove(path)
		i.decoding.Unlock()
	}, nil
}

// putNote writes a note that may be lost when the power is cut.
func putNote(path, text string) error {
	file, err := regular.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = file.WriteString(text)
	return errors.Join(err, file.Close())
}

// leftOut are the frames of a session that are not opened: those that have ended the program.
func (i *Intake) leftOut(session int64) (names []string) {
	if err := i.readNote(session, leftOutFile, &names); err != nil {
		i.o.Log.Warn("cannot read the list of frames that are left out", "session", session, "err", err)
	}
	return names
}

// leaveOut excludes the frame whose files were open when the program ended.
func (i *Intake) leaveOut(session int64) {
	i.decoding.Lock()
	defer i.decoding.Unlock()
	path := filepath.Join(i.store.session(session), openFile)
	frame, err := textfile.Read(path, maxNote)
	if err != nil || len(frame) == 0 {
		return
	}
	i.notes.Lock()
	defer i.notes.Unlock()
	i.o.Log.Warn("the program ended while it read a frame; that frame is left out from now on", "session", session,
		"frame", string(frame))
	if i.writeNote(session, leftOutFile, append(i.leftOut(session), string(frame))) == nil {
		os.Remove(path)
	}
}

// tryAgain includes a frame again that was left out, as its file was sent again.
func (i *Intake) tryAgain(session int64, frame string) bool {
	i.notes.Lock()
	defer i.notes.Unlock()
	names := i.leftOut(session)
	at := slices.Index(names, frame)
	return at >= 0 && i.writeNote(session, leftOutFile, slices.Delete(names, at, at+1)) == nil
}

// errLeftOut is what is said of a frame that is not opened.
func errLeftOut(frame string) error {
	return fmt.Errorf("%s: Stillwater stopped while it read this frame, so it is left out. To try again, send "+
		"its file again", frame)
}
