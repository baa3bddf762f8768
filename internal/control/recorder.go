package control

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"stillwater/internal/record"
)

const (
	retryDelay = time.Second
	maxRemarks = 64 // that wait for the journal, far more than a person writes while it cannot be written
)

var errTooManyRemarks = errors.New("too many remarks are waiting for the journal")

// recorder writes to the journal in a goroutine of its own and keeps trying: a full disk or a slow card holds up the
// record and nothing else. Shots come first, in order; then remarks; then whatever else is to be kept. Only shots queue
// up without a limit, because only the board makes them. Of everything else the newest counts: a job takes the place
// of the one with its key, so that no phone can make the queue longer by asking more often.
type recorder struct {
	log     *slog.Logger
	changed func() // called without any lock of the recorder

	mu      sync.Mutex
	shots   []*job
	others  []*job // remarks in front
	current *job   // being written
	closed  bool
	problem string
	wake    chan struct{} // holds one token when there is news
	done    chan struct{}
}

// job is one thing to write. do is called again until it succeeds.
type job struct {
	key     any
	remark  bool
	do      func(context.Context) error
	answers []chan<- error // each gets the outcome of the next attempt, and has room for it
}

func newRecorder(log *slog.Logger, changed func()) *recorder {
	return &recorder{log: log, changed: changed, wake: make(chan struct{}, 1), done: make(chan struct{})}
}

func (r *recorder) addShot(do func(context.Context) error) {
	r.mu.Lock()
	r.shots = append(r.shots, &job{do: do})
	r.mu.Unlock()
	r.wakeUp()
}

// put queues a job in place of the one with its key.
func (r *recorder) put(key any, do func(context.Context) error) {
	r.mu.Lock()
	r.insert(&job{key: key, do: do})
	r.mu.Unlock()
	r.wakeUp()
}

// remark is put for what a person says of a shot or a session. The channel gets nil when the journal has it, or why it
// does not yet.
func (r *recorder) remark(key any, do func(context.Context) error) (<-chan error, error) {
	answer := make(chan error, 1)
	j := &job{key: key, remark: true, do: do, answers: []chan<- error{answer}}
	r.mu.Lock()
	defer r.mu.Unlock()
	waiting, same := 0, false
	for _, other := range r.others {
		if other.remark {
			waiting++
			same = same || other.key == key
		}
	}
	if waiting >= maxRemarks && !same {
		return nil, errTooManyRemarks
	}
	r.insert(j)
	if r.problem != "" {
		answer <- errors.New(r.problem)
		j.answers = slices.DeleteFunc(j.answers, func(a chan<- error) bool { return a == answer })
	}
	r.wakeUp()
	return answer, nil
}

// insert puts a job where the one with its key is, or behind those of its kind. The mutex is held.
func (r *recorder) insert(j *job) {
	first := len(r.others)
	for i, other := range r.others {
		if other.key == j.key {
			if other != r.current {
				j.answers = append(j.answers, other.answers...)
			}
			r.others[i] = j
			return
		}
		if j.remark && !other.remark {
			first = min(first, i)
		}
	}
	r.others = slices.Insert(r.others, first, j)
}

func (r *recorder) wakeUp() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

func (r *recorder) status() RecordStatus {
	r.mu.Lock()
	defer r.mu.Unlock()
	return RecordStatus{Waiting: len(r.shots), Problem: r.problem}
}

// next is the job to do next; nil when there is none, and then whether there will be none.
func (r *recorder) next() (j *job, over bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case len(r.shots) > 0:
		r.current = r.shots[0]
	case len(r.others) > 0:
		r.current = r.others[0]
	default:
		r.current = nil
	}
	return r.current, r.closed
}

// run does the jobs until finish is called and none is left, or the context ends.
func (r *recorder) run(ctx context.Context) {
	defer close(r.done)
	for ctx.Err() == nil {
		j, over := r.next()
		switch {
		case j != nil:
			r.attempt(ctx, j)
		case over:
			return
		default:
			select {
			case <-r.wake:
			case <-ctx.Done():
			}
		}
	}
}

// attempt does one job once. One that failed is tried again later, unless it asks for what the journal does not have.
func (r *recorder) attempt(ctx context.Context, j *job) {
	err := j.do(ctx)
	unknown := errors.Is(err, record.ErrNotFound)
	problem := ""
	if err != nil && !unknown {
		problem = RecordProblem(err)
	}
	r.mu.Lock()
	before := r.problem
	changed := before != problem || j.key == nil
	r.problem = problem
	r.remove(j, err == nil || unknown)
	answers := j.answers
	j.answers = nil
	r.mu.Unlock()
	for _, answer := range answers {
		answer <- err
	}
	if before != problem {
		r.report(problem, err)
	}
	if changed {
		r.changed()
	}
	if problem != "" {
		select {
		case <-time.After(retryDelay):
		case <-ctx.Done():
		}
	}
}

// report logs that the journal can no longer be written, and why in full, or that it can again.
func (r *recorder) report(problem string, err error) {
	if problem == "" {
		r.log.Info("the journal can be written again")
		return
	}
	r.log.Error("the journal cannot be written; it is tried again", "err", err)
}

// RecordProblem says why the journal cannot be written, in a few words for a phone: the log has the file and the rest.
func RecordProblem(err error) string {
	switch {
	case errors.Is(err, record.ErrFull):
		return "the machine's disk is full; make room on it"
	case errors.Is(err, record.ErrReadOnly):
		return "Stillwater is not allowed to write its file; the machine's log says what to do"
	case errors.Is(err, record.ErrBusy):
		return "another program holds its file; stop that program"
	case errors.Is(err, record.ErrDamaged):
		return "its file is damaged; the machine's log says what to do"
	}
	return err.Error()
}

// remove takes a job out of its queue. One that failed stays: a shot where it is, as shots are in order; another
// behind the rest, which may do better. The mutex is held.
func (r *recorder) remove(j *job, done bool) {
	r.current = nil
	switch i := slices.Index(r.others, j); {
	case j.key == nil && done:
		r.shots = r.shots[1:]
	case i >= 0: // else a newer one took its place
		r.others = slices.Delete(r.others, i, i+1)
		if !done {
			r.others = append(r.others, j)
		}
	}
}

// finish waits until everything is written, at most so long, and says what was not.
func (r *recorder) finish(within time.Duration) error {
	r.mu.Lock()
	r.closed = true
	r.mu.Unlock()
	r.wakeUp()
	select {
	case <-r.done:
		return nil
	case <-time.After(within):
	}
	return r.unwritten()
}

// unwritten says what did not reach the journal, nil when that is nothing.
func (r *recorder) unwritten() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	remarks := 0
	for _, j := range r.others {
		if j.remark {
			remarks++
		}
	}
	var what []string
	if len(r.shots) > 0 || remarks == 0 {
		what = append(what, plural(len(r.shots), "shot", "shots"))
	}
	if remarks > 0 {
		what = append(what, plural(remarks, "remark", "remarks"))
	}
	problem := r.problem
	if problem == "" {
		problem = "the journal did not answer"
	}
	return fmt.Errorf("control: %s could not be written to the journal: %s", strings.Join(what, " and "), problem)
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
