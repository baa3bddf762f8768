package board

import "time"

// inProcessSteps is into how many steps a wait for a board in this process is cut.
const inProcessSteps = 20

// steps cuts a wait for the board. A board in this process stands still whenever the process gets no processor, and so
// does its host; a wait in time would then be over as soon as they go on, before either had a chance. In steps it is
// over when the process was served that many times, each step counting once however late it ended. Every other board
// has a clock and a processor of its own: its silence is measured in time.
func (o Options) steps(wait time.Duration) (n int, each time.Duration) {
	if !o.InProcess {
		return 1, wait
	}
	return inProcessSteps, wait / inProcessSteps
}

// silence counts the steps in which nothing was heard of the board.
type silence struct {
	steps, most int
	each        time.Duration
	timer       *time.Timer
}

// begin calls step after each step without a heard.
func (s *silence) begin(opts Options, step func()) {
	s.most, s.each = opts.steps(silentAfter)
	s.timer = time.AfterFunc(s.each, step)
}

func (s *silence) heard() {
	s.steps = 0
	s.timer.Reset(s.each)
}

// step counts one and says whether the board is silent for good; else the next step begins.
func (s *silence) step() bool {
	s.steps++
	if s.steps < s.most {
		s.timer.Reset(s.each)
		return false
	}
	return true
}

func (s *silence) stop() {
	if s.timer != nil {
		s.timer.Stop()
	}
}
