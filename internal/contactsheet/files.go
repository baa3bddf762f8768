package contactsheet

import (
	"context"
	"flag"
	"fmt"
	"io"

	"stillwater/internal/export"
	"stillwater/internal/frames"
	"stillwater/internal/render"
)

// Usage is what the command's help says before its flags.
const Usage = `Usage:
  stillwater frames DIR [--session N|latest] [--pair SHOT=FILE ...] [--json] [--csv FILE] [--sheet FILE] [--dry-run]

says which of the camera's files in a folder, or on its card, is which shot of a session: by their times, however wrong
the camera's clock is. A match is certain, likely or open; --pair names one that you know, and settles others with it.
--sheet writes a contact sheet, one file to look at or print. Nothing in the folder is changed. Options:

`

// Files are the files that a sheet is written to; "" is none.
type Files struct {
	CSV, HTML string
	Pick      Pick      // on the HTML page
	DryRun    bool      // nothing is written, and Say is sent what would be
	Say       io.Writer // what people are to know besides
}

// SetFlags makes a command's flags of them.
func (f *Files) SetFlags(flags *flag.FlagSet) {
	flags.StringVar(&f.CSV, "csv", "", "write a table for a spreadsheet into `FILE`")
	flags.StringVar(&f.HTML, "sheet", "", "write the contact sheet, HTML, into `FILE`")
	flags.TextVar(&f.Pick, "pick", All, "on the sheet: all, keepers, or delays (one for each delay)")
	flags.BoolVar(&f.DryRun, "dry-run", false, "write no file, and say which would be written")
}

// WriteFiles writes them, and names the frames that could not be read. A file that is there is replaced when all of the
// new one is on the disk, but neither the journal nor one that by its name may be a photograph.
func (s *Sheet) WriteFiles(ctx context.Context, folder *frames.Folder, journalPath string, f Files) error {
	for _, p := range s.Problems {
		fmt.Fprintln(f.Say, "stillwater: frames:", render.Printable(p.Error()))
	}
	if f.CSV != "" && f.CSV == f.HTML {
		return fmt.Errorf("the table and the contact sheet are both to be %s: name two files", f.CSV)
	}
	if err := f.write(f.CSV, journalPath, s.WriteCSV); err != nil {
		return err
	}
	return f.write(f.HTML, journalPath, func(w io.Writer) error { return s.WriteHTML(ctx, w, folder, f.Pick) })
}

func (f Files) write(path, journalPath string, write func(io.Writer) error) error {
	switch {
	case path == "":
		return nil
	case frames.IsFrame(path):
		return fmt.Errorf("%s may be a photograph, by its name: name another file", path)
	case f.DryRun:
		_, err := fmt.Fprintf(f.Say, "Would be written: %s\n", path)
		return err
	}
	return export.ToFile(path, journalPath, write)
}
