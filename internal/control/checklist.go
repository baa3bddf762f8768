package control

import (
	"fmt"
	"time"

	"stillwater/internal/bootclock"
	"stillwater/internal/care"
)

// The checklist, whose text is in internal/care, is asked anew at each start, in each session, on a new day and after
// hours without a shot. The journal keeps what was ticked; nothing is armed by it.

// tick ticks one caution, or takes the tick back. The mutex is held.
func (c *Control) tick(id string, ticked bool) error {
	if err := c.requireDisarmed("id", "The checklist"); err != nil {
		return err
	}
	now := c.opts.Clock()
	c.lapseCare(now) // a tick among old ones does not renew them
	for _, caution := range care.Checklist() {
		if caution.ID != id {
			continue
		}
		if ticked && len(c.ticked) == 0 {
			c.ticks = care.Ticks{First: now.SinceBoot}
		}
		if ticked {
			c.ticked[id] = true
		} else {
			delete(c.ticked, id)
		}
		if c.careDone() {
			c.askedAgain = ""
		}
		c.saveCare()
		return nil
	}
	return refusal("id", fmt.Sprintf("The checklist has no point %q.", id), "Reload the page.")
}

// askCareAgain takes back every tick and says why.
func (c *Control) askCareAgain(because string) {
	c.ticked, c.ticks, c.askedAgain = map[string]bool{}, care.Ticks{}, because
}

// lapseCare asks the cautions again if their ticks no longer hold. What is armed, or on the way there, stays so: ticks
// that lapse meanwhile count when it is armed the next time. The mutex is held.
func (c *Control) lapseCare(now bootclock.Reading) {
	if len(c.ticked) == 0 || c.requireDisarmed("", "") != nil {
		return
	}
	var date time.Time
	if now.Trusted {
		date = now.Wall
	}
	if why := c.ticks.LapseReason(now.SinceBoot, date); why != "" {
		c.askCareAgain(why)
		c.publish()
	}
}

// checkCare refuses to arm unless every caution is ticked, and says why if that was so before. The mutex is held.
func (c *Control) checkCare() error {
	c.lapseCare(c.opts.Clock())
	switch {
	case c.careDone():
		return nil
	case c.askedAgain != "":
		return refusal("care", "The checklist must be ticked again, because "+c.askedAgain+".",
			"Read and tick every point.")
	}
	return refusal("care", "The checklist is not done.", "Read and tick every point for this session.")
}
