package contactsheet

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"stillwater/internal/export"
	"stillwater/internal/frames"
	"stillwater/internal/journal"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/render"
)

// Usage is what the command's help says before its flags.
const Usage = `Usage:
  stillwater frames DIR [--session N|latest] [--match SHOT=FILE ...] [--json] [--csv FILE] [--sheet FILE] [--xmp]
                    [--dry-run]
  stillwater frames DIR --empty FILE [--spot X,Y] [--ruler X,Y,X,Y,LENGTH | --width LENGTH] [--from-right] [--accept]
  stillwater frames DIR --black FILE ...
  stillwater frames DIR --watch [--look | --empty FILE ...]
  stillwater frames DIR --camera PORT ...

says which of the camera's files in a folder, or on its card, is which shot of a session: by their times, however wrong
the camera's clock is. A match is certain, likely or open; --match names one that you know, and settles others with it.
--sheet writes a contact sheet, one file to look at or print. What was found is kept with the session, so that a second
run reads only what is new.

--look says what the pictures show: black, burnt out. With --empty, a frame of the same place without liquid, the liquid
is found in the others; with a scale, how far it is past its spot, and from that the delay to try next. Places are
pixels of the frame as it is shown, from its top left.

--black names a frame that was taken as the shots are, with the flash off: it says how many stops the room is below the
flash, and how to enter that into "stillwater light".

--xmp writes what is known of each frame that is certain into a sidecar file, and leaves what others wrote there:
keepers have 5 stars, good ones 3. A camera's own files are never changed.

--camera first copies the connected camera's new files into the folder, by gphoto2, the program of the general
camera-access library libgphoto2 (sudo apt install gphoto2), while Stillwater is stopped. Options:

`

// Files are the files that a sheet is written to; "" is none.
type Files struct {
	CSV, HTML string
	Pick      Pick      // on the HTML page
	XMP       bool      // sidecar files beside the frames
	JSON      bool      // the answer itself is
	DryRun    bool      // nothing is written, and Say is sent what would be
	Say       io.Writer // what people are to know besides
}

// SetFlags makes a command's flags of them.
func (f *Files) SetFlags(flags *flag.FlagSet) {
	flags.StringVar(&f.CSV, "csv", "", "write a table for a spreadsheet into `FILE`")
	flags.StringVar(&f.HTML, "sheet", "", "write the contact sheet, HTML, into `FILE`")
	flags.TextVar(&f.Pick, "pick", All, "on the sheet: all, keepers, or delays (one for each delay)")
	flags.BoolVar(&f.JSON, "json", false, "write JSON, keys with units")
	flags.BoolVar(&f.XMP, "xmp", false, "write rating, label, note and keywords into sidecar files, beside the frames")
	flags.BoolVar(&f.DryRun, "dry-run", false, "write nothing, and say what would be written")
}

// OpenForWriting opens the journal of j, which is open for reading, for writing. Where nothing is to be written, or
// nothing can be, which is reported, it returns j, and what is found is kept in memory. An error means that
// measurements are to be recorded and cannot be: that is found out before any work.
func (o *Options) OpenForWriting(ctx context.Context, j *journal.Journal, f Files) (*journal.Journal, error) {
	o.FrameStore, o.DryRun = j, f.DryRun
	if f.DryRun && o.Camera == "" || o.Watch {
		return j, nil
	}
	writable, err := journal.Open(ctx, j.Path())
	switch {
	case err == nil:
		j.Close() // it was only read
		o.FrameStore, o.held = writable, true
		return writable, nil
	case o.Accept && !f.DryRun && errors.Is(err, record.ErrBusy):
		return j, errors.New("--accept: the journal is in use by stillwater: record them on its page (Look back, the " +
			"camera's frames), or stop it and run this again; nothing was done")
	case o.Accept && !f.DryRun:
		return j, fmt.Errorf("--accept: nothing can be recorded: %w", err)
	case errors.Is(err, record.ErrBusy):
		o.inUse = true
		err = errors.New("the journal is in use by stillwater, which takes files in itself: send them from the phone " +
			"(Look back), or have it watch the folder (stillwater --frames DIR); or stop it and run this again")
	}
	fmt.Fprintln(f.Say, "stillwater: frames: the results are not saved for the next run:", err)
	o.FrameStore = newMemory(j)
	return j, nil
}

// WithShots is the latest session, or of those before it the last one that has shots, which is said: after an evening a
// new one may have been begun already.
func WithShots(ctx context.Context, j *journal.Journal, latest record.Summary, say io.Writer) (record.Summary, error) {
	if latest.Shots > 0 {
		return latest, nil
	}
	all, err := j.Sessions(ctx)
	if err != nil {
		return latest, err
	}
	for _, s := range all { // the latest first
		if s.Shots > 0 {
			fmt.Fprintf(say, "Session %d has no shots yet: the frames are matched to session %d, the last one that has.\n",
				latest.ID, s.ID)
			return s, nil
		}
	}
	return latest, nil
}

// Check refuses what cannot be asked for at once.
func (o *Options) Check(f Files) error {
	m := o.Measure
	scaled := m.Ruler != nil || m.Width > 0
	switch {
	case o.Watch && (o.Accept || f.CSV != "" || f.HTML != "" || f.XMP):
		return errors.New("--watch writes nothing: run it again without it when the evening is over")
	case o.Watch && o.Camera != "":
		return errors.New("--watch and --camera: that is the daemon's job, as it knows what is armed: " +
			"stillwater --frames DIR --camera PORT; or leave --watch out, to fetch once")
	case o.Watch && o.Black != "":
		return errors.New("--watch does not judge the room: leave --black out, or run it without --watch")
	case o.Watch && o.Only:
		return errors.New("--watch forgets nothing: leave --only out, or run it without --watch")
	case o.Watch && f.JSON:
		return errors.New("--watch writes lines for people: leave --json out, or run it without --watch")
	case f.CSV == "-" || f.HTML == "-":
		return errors.New("--csv and --sheet write a file, and the answer goes to standard output: name a file (./- is one)")
	case m.Ruler != nil && m.Width > 0:
		return errors.New("--ruler and --width both give the scale: leave one of them out")
	case m.Empty == "" && (scaled || m.Spot != nil || m.FromRight):
		return errors.New("--ruler, --width, --spot and --from-right are for finding the liquid: " +
			"add --empty FILE, a frame without it")
	case o.Accept && !(m.Empty != "" && scaled):
		return errors.New("--accept records what is measured: " +
			"add --empty FILE, a frame without liquid, and the scale, --ruler or --width")
	}
	return nil
}

// SetWidth reads how wide a piece of the scene is.
func (m *Measure) SetWidth(text string) error {
	const most = 100 // m
	width, err := phys.ParseLength(text)
	if err == nil && !(width > 0 && width <= most) {
		err = fmt.Errorf("give a length of more than 0 and at most %d m, like 60cm", most)
	}
	if err == nil {
		m.Width = width
	}
	return err
}

// SetFlags makes a command's flags of what a person says beside the folder.
func (o *Options) SetFlags(flags *flag.FlagSet) {
	m := &o.Measure
	flags.Func("match", "`SHOT=FILE`, a shot's number and its file, none=FILE if it is not a shot; "+
		"12=none or any=FILE takes it back; may be given again", o.Assign)
	flags.BoolVar(&m.Look, "look", false, "look at the pictures, and say which are black or burnt out")
	flags.StringVar(&m.Empty, "empty", "", "the `FILE` that shows the place without liquid")
	flags.Func("spot", "`X,Y`, where the liquid should be (default: the frame's middle)", m.SetSpot)
	flags.Func("ruler", "`X,Y,X,Y,LENGTH`, two places on a ruler at the spot and how far apart they are",
		func(text string) error {
			m.Ruler = new(Ruler)
			return m.Ruler.UnmarshalText([]byte(text))
		})
	flags.Func("width", "instead of --ruler: the width of the scene that a frame shows at the spot, a `LENGTH`",
		m.SetWidth)
	flags.BoolVar(&m.FromRight, "from-right", false, "a throw comes from the right")
	flags.StringVar(&o.Camera, "camera", "", "first fetch what is new from the connected camera: its `PORT`, "+
		"auto, usb:BUS,DEVICE, ptpip:ADDRESS or disk:FOLDER (needs gphoto2)")
	flags.BoolVar(&o.Only, "only", false, "only the frames in the folder count: others of the session are forgotten")
	flags.StringVar(&o.Black, "black", "", "the frame taken with the flash off, its `FILE` or number: how dark it is")
	flags.BoolVar(&o.Watch, "watch", false, "keep running, and report each file that arrives in the folder")
	flags.BoolVar(&o.Accept, "accept", false, "record the measurements, so that the delay is learned from them too")
}

// WriteFiles writes them, and names the frames that could not be read. A file that is there is replaced when all of the
// new one is on the disk, but neither the journal nor one that by its name may be a photograph.
func (s *Sheet) WriteFiles(ctx context.Context, folder *frames.Folder, journalPath string, f Files) error {
	for _, c := range s.Contradictions {
		fmt.Fprintln(f.Say, "stillwater: frames:", c.ForCommandLine())
	}
	for _, p := range s.Problems {
		fmt.Fprintln(f.Say, "stillwater: frames:", oneLine(ForCommandLine(p).Error()))
	}
	if f.CSV != "" && filepath.Clean(f.CSV) == filepath.Clean(f.HTML) {
		return fmt.Errorf("the table and the contact sheet are both to be %s: name two files", f.CSV)
	}
	if err := f.write(f.CSV, journalPath, s.WriteCSV); err != nil {
		return err
	}
	err := f.write(f.HTML, journalPath, func(w io.Writer) error { return s.WriteHTML(ctx, w, folder, f.Pick) })
	if err != nil || !f.XMP {
		return err
	}
	return s.writeSidecars(ctx, folder, f)
}

// Answer writes the files, and what was found, whether or not the files could be written.
func (s *Sheet) Answer(ctx context.Context, w io.Writer, folder *frames.Folder, journalPath string, f Files) error {
	problem, err := s.WriteFiles(ctx, folder, journalPath, f), error(nil)
	if f.JSON {
		err = render.JSON(w, s.Entry())
	} else {
		err = s.Write(w)
	}
	return cmp.Or(problem, err)
}

// replaceable reports whether a file of that name may be written: an old table or contact sheet gives way, and nothing
// else that is there, as cameras have more kinds of files than are known here.
func replaceable(path string) bool {
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		return true
	}
	return slices.Contains([]string{".csv", ".html", ".htm"}, strings.ToLower(filepath.Ext(path)))
}

func (f Files) write(path, journalPath string, write func(io.Writer) error) error {
	switch {
	case path == "":
		return nil
	case frames.IsFrame(path):
		return fmt.Errorf("%s may be a photograph, by its name: name another file", path)
	case !replaceable(path):
		return fmt.Errorf("%s exists, and by its name it is neither a table nor a contact sheet: name another file", path)
	case f.DryRun:
		would := "replaced"
		if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
			would = "written"
		}
		_, err := fmt.Fprintf(f.Say, "Would be %s: %s\n", would, path)
		return err
	}
	err := export.ToFile(path, journalPath, write)
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("stopped before %s was written; the same command writes it", path)
	}
	return err
}
