package control

import (
	"slices"

	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/strip"
	"stillwater/internal/tuning"
)

// maxEvening is how many of the session's shots are kept to learn from, the newest.
const maxEvening = 100

// learning works out what the session's tries say, which takes long, without the mutex: one at a time, and again if
// the tries or the set have changed meanwhile.
type learning struct {
	evening []record.Shot // of the session, newest first, without their programs
	version int           // of what is learned from
	running bool
	view    *Tuning
}

// learn starts working out again what the tries say. The mutex is held.
func (c *Control) learn() {
	c.learning.version++
	if !c.learning.running {
		c.learning.running = true
		c.tasks.run(c.learnAll)
	}
}

func (c *Control) learnAll() {
	var outcomes shot.Outcomes
	for {
		c.mu.Lock()
		version, set, shots := c.learning.version, c.set, slices.Clone(c.learning.evening)
		c.mu.Unlock()
		view := viewTuning(set, shots, &outcomes)
		c.mu.Lock()
		if version == c.learning.version {
			c.learning.view, c.learning.running = view, false
			c.publish()
			c.mu.Unlock()
			return
		}
		c.mu.Unlock()
	}
}

// dropStaleTuning discards what was learned if more than the trim of the set has changed. The mutex is held.
func (c *Control) dropStaleTuning(before, now shot.Set) {
	before.Trim, now.Trim = shot.TrimSet{}, shot.TrimSet{}
	before.Drops.GapTrim, now.Drops.GapTrim = 0, 0
	if before != now {
		c.learning.view = nil
	}
}

// addTry adds a shot to those that are learned from. The mutex is held.
func (c *Control) addTry(made record.Shot) {
	made.Program = ""
	l := &c.learning
	l.evening = slices.Insert(l.evening[:min(len(l.evening), maxEvening-1)], 0, made)
	c.learn()
}

// changeTry changes what was said of a shot, if it is one of those that are learned from. The mutex is held.
func (c *Control) changeTry(id int64, change func(*record.Shot)) {
	i := slices.IndexFunc(c.learning.evening, func(s record.Shot) bool { return s.ID == id })
	if i >= 0 {
		change(&c.learning.evening[i])
		c.learn()
	}
}

// viewTuning is what shots say of the trim of a set; nil if the set cannot work.
func viewTuning(set shot.Set, shots []record.Shot, outcomes *shot.Outcomes) *Tuning {
	l, err := shot.Learn(set, shots, outcomes)
	if err != nil {
		return nil
	}
	a := l.Advice
	view := &Tuning{Step: string(a.Step), TrimMs: ms(a.Trim), Sure: a.Sure, Line: a.Line, Words: a.Words,
		Facts: a.Facts}
	if gap, ok := shot.LearnGap(set, shots, outcomes); ok && gap.Step == tuning.Trim {
		view.Gap = &GapTuning{TrimMs: ms(gap.Trim), Sure: gap.Sure}
	}
	if len(l.Tries) > 0 {
		view.Strip = strip.Draw(strip.FromTries(l.Plan, l.Tries, a), strip.Options{ForPage: true}).SVG
	}
	return view
}
