package intake

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"maps"
	"os"
	"path"
	"runtime"
	"strings"
	"time"

	"stillwater/internal/background"
	"stillwater/internal/filename"
	"stillwater/internal/frames"
	"stillwater/internal/logonce"
	"stillwater/internal/page"
	"stillwater/internal/regular"
	"stillwater/internal/render"
	"stillwater/internal/tether"
)

// Sources are where files come from besides phones: a folder into which they are put, and the connected camera,
// whose files are copied into that folder. The zero value is none.
type Sources struct{ Dir, Port string }

// SetFlags makes a command's flags of them.
func (s *Sources) SetFlags(flags *flag.FlagSet) {
	flags.StringVar(&s.Dir, "frames", "",
		"take in the camera's files that arrive in the folder `DIR`, while nothing is armed")
	flags.StringVar(&s.Port, "camera", "",
		"with --frames: copy what the connected camera makes into DIR; its `PORT`: auto, usb:BUS,DEVICE or ptpip:ADDRESS")
}

// Or takes what the flags leave open from the configuration, and refuses what cannot be. A configured camera whose
// program is not installed is only logged, and shown by Watch: shots are made without it.
func (s Sources) Or(folder, port string, log *slog.Logger) (Sources, error) {
	all := Sources{cmp.Or(s.Dir, folder), cmp.Or(s.Port, port)}
	if all.Port == "" {
		return all, nil
	}
	if all.Dir == "" {
		return all, errors.New("--camera: its files need a folder: add --frames DIR, or camera.folder to stillwater.toml")
	}
	given := "camera.port = "
	if s.Port != "" {
		given = "--camera "
	}
	_, err := tether.Find(all.Port)
	if errors.Is(err, tether.ErrMissing) && s.Port == "" {
		log.Warn("the connected camera is not used", "err", err)
		return all, nil
	}
	if err != nil {
		err = fmt.Errorf("%s%q: %w", given, all.Port, err)
	}
	return all, err
}

// words say at the page where files come from.
func (s Sources) words() string {
	if s.Port != "" {
		return fmt.Sprintf(" The connected camera's new files are copied into the folder %s, and taken in from there for "+
			"the session at Shoot.", s.Dir)
	}
	return fmt.Sprintf(" Files that arrive in the folder %s are taken in for the session at Shoot.", s.Dir)
}

// Watch takes in what comes from the sources, until the context ends. Call what it returns to end it.
func (i *Intake) Watch(ctx context.Context, from Sources) (end func()) {
	if from.Dir == "" {
		return func() {}
	}
	i.mu.Lock()
	i.sourceWords = from.words()
	i.mu.Unlock()
	if from.Port != "" { // the camera's files go there; that it cannot be made is said when it is looked into
		_ = os.Mkdir(from.Dir, 0o777)
	}
	ctx, stop := context.WithCancel(ctx)
	folder, cable := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(folder)
		runtime.LockOSThread() // and never unlocked: it yields for good
		i.o.Yield()
		newWatcher(i, from.Dir, i.o.Log).run(ctx)
	}()
	camera, err := tether.Find(from.Port)
	if err == nil {
		go func() {
			defer close(cable)
			f := tether.Follow{Camera: camera, Dir: from.Dir, Wanted: frames.IsFrame, Armed: i.armed, Log: i.o.Log,
				Say: i.cameraProblem}
			f.Run(ctx)
		}()
	} else {
		if from.Port != "" {
			i.cameraProblem(err.Error())
		}
		close(cable)
	}
	return func() { stop(); i.await("the folder and the camera are being read", folder, cable) }
}

// watchEvery is how often a folder is looked into. Own choice.
const watchEvery = 2 * time.Second

// watcher takes in what comes into a folder.
type watcher struct {
	intake  *Intake
	dir     string
	log     *slog.Logger
	seen    map[string]frames.File // as they were at the last look, by name
	changed map[string]bool        // since they were seen first, by name
	done    map[handed]bool
	failed  map[handed]failure
	looks   int
	problem logonce.Problem // of the folder
	said    string          // of it to phones
	logged  map[string]bool // what is wrong with what is no file
	notKept string          // what phones are shown of files that are not kept
}

func newWatcher(i *Intake, dir string, log *slog.Logger) *watcher {
	return &watcher{intake: i, dir: dir, log: log, seen: map[string]frames.File{}, changed: map[string]bool{},
		done: map[handed]bool{}, failed: map[handed]failure{}, problem: logonce.Problem{
			Begins: "cannot read the folder for the camera's files; waiting for it",
			Ends:   "the folder for the camera's files can be read again"}}
}

// failure is why a file was not kept, and at which look: it is tried again some time later, as there may be room then.
type failure struct {
	words string
	look  int
	busy  bool // it only waits for others
}

const triedAgain = 30 // looks later

// handed is a file that was handed over, or refused, for a session.
type handed struct {
	session int64
	file    frames.File
}

func (w *watcher) run(ctx context.Context) {
	again := time.NewTicker(watchEvery)
	defer again.Stop()
	for {
		if !w.intake.armed() {
			w.set(w.look(ctx))
		}
		select {
		case <-ctx.Done():
			return
		case <-again.C:
		}
	}
}

// set logs how a look went. A folder that is not there is waited for.
func (w *watcher) set(err error) {
	if errors.Is(err, page.ErrArmed) {
		return
	}
	if err != nil { // nothing is known of its files
		w.showNotKept(0, nil, nil)
	}
	w.problem.Set(w.log, err, "folder", w.dir)
	if words := folderWords(err); words != w.said && !errors.Is(err, context.Canceled) {
		w.said = words
		w.intake.folderProblem(words)
	}
}

// folderWords say why the folder cannot be looked into, and what somebody with a phone can do; "" it can.
func folderWords(err error) string {
	const meanwhile = "meanwhile choose files on this phone, at the evening in Look back"
	switch {
	case err == nil:
		return ""
	case errors.Is(err, fs.ErrNotExist):
		return "it is not there: connect the card or disk that it is on again; " + meanwhile
	case errors.Is(err, frames.ErrTooManyFiles):
		return fmt.Sprintf("it has more than %d files: move those of other evenings elsewhere; %s", frames.MaxFiles,
			meanwhile)
	}
	return fmt.Sprintf("%v: whoever looks after the machine finds more in its log; %s", plain(err), meanwhile)
}

// look takes in the files that are new, that are as they were at the last look, and that came into the folder since the
// session began: those of before are another evening's.
func (w *watcher) look(ctx context.Context) error {
	folder, err := frames.Open(w.dir)
	if err != nil {
		return err
	}
	defer folder.Close()
	list, unlisted, err := folder.List(ctx)
	if err != nil {
		return err
	}
	session, began := w.intake.current(ctx)
	if session == 0 {
		return nil // until there is a shot
	}
	w.looks++
	w.forget(session, list)
	defer func() { w.showNotKept(session, list, unlisted) }()
	for _, frame := range list {
		for _, file := range frame.Files {
			one := handed{session, file}
			was, known := w.seen[file.Name]
			w.seen[file.Name] = file
			w.changed[file.Name] = w.changed[file.Name] || known && was != file
			before, hasFailed := w.failed[one]
			if w.done[one] || was != file || hasFailed && w.looks < before.look+triedAgain {
				continue
			}
			if came, err := folder.Came(file); err == nil && came.Before(began) {
				w.done[one] = true
				continue
			}
			var err error
			background.HoldGC(func() { err = w.handOver(ctx, session, folder, file) })
			if errors.Is(err, page.ErrArmed) || ctx.Err() != nil {
				return err
			}
			w.note(one, err)
		}
	}
	return nil
}

// maxGone is how many more files than the folder has are remembered: they may come back with their card. Own choice.
const maxGone = 1000

// forget forgets what was of another session or of a file that is another one now, and files that are gone, when there
// are many.
func (w *watcher) forget(session int64, list []frames.Frame) {
	listed := map[string]bool{}
	for _, frame := range list {
		for _, file := range frame.Files {
			listed[file.Name] = true
		}
	}
	if len(w.seen) > len(listed)+maxGone {
		gone := func(name string) bool { return !listed[name] }
		maps.DeleteFunc(w.seen, func(name string, _ frames.File) bool { return gone(name) })
		maps.DeleteFunc(w.changed, func(name string, _ bool) bool { return gone(name) })
	}
	over := func(one handed) bool { return one.session != session || w.seen[one.file.Name] != one.file }
	maps.DeleteFunc(w.done, func(one handed, _ bool) bool { return over(one) })
	maps.DeleteFunc(w.failed, func(one handed, _ failure) bool { return over(one) })
}

// note keeps what came of a file, and logs what is wrong with it once.
func (w *watcher) note(one handed, err error) {
	if err == nil {
		w.done[one] = true
		delete(w.failed, one)
		return
	}
	words, n := fmt.Sprintf("%s: %v", shown(path.Base(one.file.Name)), plain(err)), new(notReceived)
	if errors.As(err, &n) {
		words = n.Why + " " + n.inFolder
	}
	if w.failed[one].words != words {
		w.log.Warn("not saving a file", "file", one.file.Name, "err", words)
	}
	w.failed[one] = failure{words, w.looks, n.busy}
}

// showNotKept shows phones which files in the folder are not kept, as long as there are any.
func (w *watcher) showNotKept(session int64, list []frames.Frame, unlisted []error) {
	var lines []string
	logged := map[string]bool{}
	for _, err := range unlisted {
		words := render.Printable(strings.ReplaceAll(err.Error(), "\n", " "))
		if !w.logged[words] {
			w.log.Warn("a file is not kept", "folder", w.dir, "err", words)
		}
		logged[words] = true
		lines = append(lines, words)
	}
	w.logged = logged
	for _, frame := range list {
		for _, file := range frame.Files {
			if f, failed := w.failed[handed{session, file}]; failed && !f.busy {
				lines = append(lines, f.words)
			}
		}
	}
	if words := strings.Join(lines, "\n"); words != w.notKept {
		w.notKept = words
		w.intake.filesProblem(words)
	}
}

// shown is a file's name as a phone shows it.
func shown(name string) string {
	if filename.Usable(name) {
		return name
	}
	return filename.Visible(name)
}

// handOver hands a file over in parts. One that was cut off by what was armed goes on where it was.
func (w *watcher) handOver(ctx context.Context, session int64, folder *frames.Folder, file frames.File) error {
	opened, err := regular.OpenIn(folder.Root(), file.Name, os.O_RDONLY, 0)
	if err != nil {
		return err
	}
	defer opened.Close()
	if file.Size == 0 {
		return errors.New("it is empty: copy it from the camera again")
	}
	as := page.CameraFile{Name: path.Base(file.Name), Size: file.Size, ModifiedMs: file.Modified.UnixMilli()}
	if as.Again = w.changed[file.Name]; as.Again { // what was handed over may have been half of it, or its copy is gone
		if as.Check, err = checkOf(opened, w.intake.holdsUp); err != nil {
			return err
		}
	}
	part, wanted := make([]byte, page.MaxPartBytes), int64(page.FirstPartBytes)
	for have := int64(0); have < file.Size; wanted = page.MaxPartBytes {
		if ctx.Err() != nil { // the next look goes on here
			return ctx.Err()
		}
		n, e := opened.ReadAt(part[:min(wanted, file.Size-have)], have)
		if n == 0 {
			return fmt.Errorf("it is shorter than it was: %w", e)
		}
		t, err := w.intake.Receive(ctx, session, as, have, part[:n])
		switch {
		case err != nil:
			return err
		case t.Have <= have:
			return io.ErrNoProgress
		}
		have, as.Key = t.Have, t.Key
	}
	return nil
}

// current is the session that shots are made in, and when it began; 0 none yet.
func (i *Intake) current(ctx context.Context) (session int64, began time.Time) {
	i.mu.Lock()
	display := i.display
	i.mu.Unlock()
	if display == nil {
		return 0, began
	}
	if session = display.SessionID(); session == 0 {
		return 0, began
	}
	s, err := i.find(ctx, session)
	if err != nil {
		return 0, began
	}
	return session, s.Started
}
