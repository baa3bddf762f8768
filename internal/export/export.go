package export

import (
	"context"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"

	"stillwater/internal/record"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// Source is where the record comes from.
type Source interface {
	Sessions(context.Context) ([]record.Summary, error)
	AllShots(ctx context.Context, session int64) iter.Seq2[record.Shot, error]
}

// Options says what is written, and how.
type Options struct {
	Session       int64             // 0: every session
	ByteOrderMark bool              // CSV begins with a byte-order mark, by which spreadsheets know UTF-8
	Total         int               // how many shots there are, for Progress
	Progress      func(percent int) // called now and then, unless it is nil
}

// Result counts the shots of an export.
type Result struct {
	Shots   int           // written
	Damaged int           // of those: damaged, which they say
	Lost    []record.Shot // not written, because they cannot be read
}

// Incomplete says what of the record could not be read, if anything.
func (r Result) Incomplete() error {
	var words []string
	if n := len(r.Lost); n > 0 {
		words = append(words, fmt.Sprintf("%d of its shots cannot be read (%s)", n, lostWords(r.Lost)))
	}
	if n := r.Damaged; n > 0 {
		words = append(words, fmt.Sprintf("%d of its shots %s there and marked as damaged", n, plural(n, "is", "are")))
	}
	if words == nil {
		return nil
	}
	return fmt.Errorf("the record is damaged: %s; everything else is whole", strings.Join(words, ", "))
}

// passed says that so many rows were read, in one of several passes over them all.
func (o Options) passed(rows, pass, passes int) {
	const every = 1000
	if rows%every == 0 && o.Progress != nil && o.Total > 0 {
		o.Progress(min(100, (pass*o.Total+rows)*100/(passes*o.Total)))
	}
}

// reader yields the shots to write and takes note of the rest.
type reader struct {
	source   Source
	opts     Options
	sessions map[int64]record.Session
	read     int
	pass     int // of so many passes
	passes   int
	result   Result
	outcomes shot.Outcomes
}

func newReader(ctx context.Context, source Source, opts Options) (*reader, error) {
	r := &reader{source: source, opts: opts, passes: 1}
	return r, r.readSessions(ctx)
}

func (r *reader) readSessions(ctx context.Context) error {
	all, err := r.source.Sessions(ctx)
	if err != nil {
		return err
	}
	r.sessions = map[int64]record.Session{}
	for _, s := range all {
		r.sessions[s.ID] = s.Session
	}
	return nil
}

// shots yields what can be read, oldest first; a session that was begun meanwhile is looked up.
func (r *reader) shots(ctx context.Context) iter.Seq2[ShotEntry, error] {
	return func(yield func(ShotEntry, error) bool) {
		for made, err := range r.source.AllShots(ctx, r.opts.Session) {
			if err != nil {
				yield(ShotEntry{}, err)
				return
			}
			r.read++
			r.opts.passed(r.read, r.pass, r.passes)
			if made.Lost {
				r.result.Lost = append(r.result.Lost, made)
				continue
			}
			if _, known := r.sessions[made.Session]; !known {
				if err := r.readSessions(ctx); err != nil {
					yield(ShotEntry{}, err)
					return
				}
			}
			r.result.Shots++
			if made.Damaged != "" {
				r.result.Damaged++
			}
			if !yield(shotOf(r.sessions[made.Session], made, r.outcomes.Of(made), planOf(&r.outcomes, made)), nil) {
				return
			}
		}
	}
}

// JSON writes an array of shots.
func JSON(ctx context.Context, w io.Writer, source Source, opts Options) (Result, error) {
	r, err := newReader(ctx, source, opts)
	if err != nil {
		return Result{}, err
	}
	err = r.array(ctx, w, "")
	return r.result, err
}

// SessionJSON writes a session and the array of its shots.
func SessionJSON(ctx context.Context, w io.Writer, source Source, s record.Summary) (Result, error) {
	r, err := newReader(ctx, source, Options{Session: s.ID})
	if err != nil {
		return Result{}, err
	}
	head, err := render.IndentJSON(sessionOf(s), "")
	if err != nil {
		return Result{}, err
	}
	open := strings.TrimSuffix(string(head), "\n}")
	if _, err := fmt.Fprintf(w, "%s,\n  \"shot_list\": ", open); err != nil {
		return Result{}, fmt.Errorf("write JSON: %w", err)
	}
	if err := r.array(ctx, w, "  "); err != nil {
		return Result{}, err
	}
	_, err = fmt.Fprint(w, "}\n")
	return r.result, err
}

// array writes the shots one by one as the elements of an array, and a line's end.
func (r *reader) array(ctx context.Context, w io.Writer, indent string) error {
	return writeArray(w, indent, r.shots(ctx))
}

// writeArray writes values one by one as the elements of an array, and a line's end.
func writeArray[T any](w io.Writer, indent string, values iter.Seq2[T, error]) error {
	between, end := "[\n"+indent+"  ", "[]\n"
	for value, err := range values {
		if err != nil {
			return err
		}
		text, err := render.IndentJSON(value, indent+"  ")
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintf(w, "%s%s", between, text); err != nil {
			return fmt.Errorf("write JSON: %w", err)
		}
		between, end = ",\n"+indent+"  ", "\n"+indent+"]\n"
	}
	if _, err := io.WriteString(w, end); err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	return nil
}

// lostWords names the shots that could not be read: "session 1: shots 3, 7 to 9; session 2: shot 4". Those of which
// not even that is known are counted.
func lostWords(lost []record.Shot) string {
	const most = 20 // ranges that are named
	numbers, unknown := map[int64][]int{}, 0
	for _, s := range lost {
		if s.Session == 0 || s.Number == 0 {
			unknown++
			continue
		}
		numbers[s.Session] = append(numbers[s.Session], s.Number)
	}
	var words []string
	named := 0
	for _, session := range sortedKeys(numbers) {
		var list []string
		for _, span := range spans(numbers[session]) {
			if named++; named > most {
				list = append(list, "...")
				break
			}
			list = append(list, span)
		}
		words = append(words, fmt.Sprintf("session %d: %s %s", session, plural(len(numbers[session]), "shot", "shots"),
			strings.Join(list, ", ")))
		if named > most {
			break
		}
	}
	switch {
	case unknown > 0 && words != nil:
		words = append(words, fmt.Sprintf("%d more, whose numbers cannot be read", unknown))
	case unknown > 0:
		words = append(words, "no numbers of theirs can be read")
	}
	return strings.Join(words, "; ")
}

func sortedKeys(m map[int64][]int) (keys []int64) {
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// spans are numbers as ranges: "3", "7 to 9".
func spans(numbers []int) (list []string) {
	slices.Sort(numbers)
	for i := 0; i < len(numbers); {
		k := i
		for k+1 < len(numbers) && numbers[k+1] <= numbers[k]+1 {
			k++
		}
		if k == i {
			list = append(list, fmt.Sprint(numbers[i]))
		} else {
			list = append(list, fmt.Sprintf("%d to %d", numbers[i], numbers[k]))
		}
		i = k + 1
	}
	return list
}
