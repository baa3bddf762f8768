package board

import "time"

// inProcessSteps is the number of steps in a wait for a board in this process.
const inProcessSteps = 50

// steps divides a wait for the board into steps. A board in this process stops whenever the process gets no processor
// time, and so does its client: a single timer would then expire as soon as they continue, before either had run. A
// step counts once however late it ends, so the wait ends only after the process has run that many times. Any other
// board has a clock and a processor of its own, and one step.
func (o Options) steps(wait time.Duration) (n int, each time.Duration) {
	if !o.InProcess {
		return 1, wait
	}
	return inProcessSteps, wait / inProcessSteps
}

// linkTimer expires when nothing was received from the board for linkTimeout.
type linkTimer struct {
	steps, max int
	each       time.Duration
	began      time.Time // the step under way
	timer      *time.Timer
}

// start starts the timer; step is called at the end of each step and must call expire.
func (s *linkTimer) start(opts Options, step func()) {
	s.max, s.each = opts.steps(linkTimeout)
	s.began = time.Now()
	s.timer = time.AfterFunc(s.each, step)
}

func (s *linkTimer) reset() {
	s.steps = 0
	s.next()
}

func (s *linkTimer) next() {
	s.began = time.Now()
	s.timer.Reset(s.each)
}

// expire counts a step and reports whether it was the last; if not, it begins the next. A step that was reset while its
// end was on its way here is not counted.
func (s *linkTimer) expire() bool {
	if time.Since(s.began) < s.each {
		return false
	}
	s.steps++
	if s.steps < s.max {
		s.next()
		return false
	}
	return true
}

func (s *linkTimer) stop() {
	if s.timer != nil {
		s.timer.Stop()
	}
}
