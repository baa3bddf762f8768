package control

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"stillwater/internal/bootclock"
	"stillwater/internal/care"
	"stillwater/internal/record"
)

// eveningTicks is the list of what an evening needs besides care. It blocks nothing, and nothing blocks it.
type eveningTicks struct {
	ticked map[string]bool
	latest bootclock.Reading // of its ticks and the shots since
}

// storedTicks is what the journal keeps of a session's ticks. Of the cautions it is for the record alone.
type storedTicks struct {
	Care    []string `json:"care"`
	Evening []string `json:"evening"`
	Latest  reading  `json:"latest"` // of the evening's ticks
}

// reading is a bootclock.Reading as it is stored.
type reading struct {
	Boot        string `json:"boot"`
	SinceBootNs int64  `json:"since_boot_ns"`
	WallNs      int64  `json:"wall_ns"`
	Trusted     bool   `json:"trusted"`
}

// tickEvening ticks one point of the evening's list, or takes the tick back. The mutex is held.
func (c *Control) tickEvening(id string, ticked bool) error {
	if !slices.ContainsFunc(care.Evening(), func(point care.Caution) bool { return point.ID == id }) {
		return refusal("id", fmt.Sprintf("The evening's list has no point %q.", id), "Reload the page.")
	}
	now := c.opts.Clock()
	c.lapseEvening(now)
	c.evening.latest = now
	if ticked {
		c.evening.ticked[id] = true
	} else {
		delete(c.evening.ticked, id)
	}
	c.saveCare()
	return nil
}

// untickSteps takes back the ticks of steps that were done for another kind of shot, which flies elsewhere, or with the
// lens elsewhere. The mutex is held.
func (c *Control) untickSteps() {
	for _, id := range care.EveningSteps() {
		if c.evening.ticked[id] {
			delete(c.evening.ticked, id)
			c.saveCare()
		}
	}
}

// lapseEvening begins the list anew when the evening that it was ticked in is over. The mutex is held.
func (c *Control) lapseEvening(now bootclock.Reading) {
	if len(c.evening.ticked) > 0 && care.EveningOver(idleSince(c.evening.latest, now)) {
		c.evening = eveningTicks{ticked: map[string]bool{}}
		c.saveCare() // or a shot that is made now would bring them back at the next start
		c.publish()
	}
}

// idleSince is how long ago something was; unknown if the machine was started meanwhile, and its clock was not right
// then or is not now.
func idleSince(then, now bootclock.Reading) (idle time.Duration, known bool) {
	if then.Boot == now.Boot {
		return now.SinceBoot - then.SinceBoot, true
	}
	return now.Wall.Sub(then.Wall), then.Trusted && now.Trusted
}

// restoreEvening takes up the list of an evening that still goes on. Its shots are there already.
func (c *Control) restoreEvening(stored storedTicks) {
	at := stored.Latest
	c.evening.latest = bootclock.Reading{Boot: at.Boot, SinceBoot: time.Duration(at.SinceBootNs),
		Wall: time.Unix(0, at.WallNs), Trusted: at.Trusted}
	for _, id := range stored.Evening {
		c.evening.ticked[id] = true
	}
	now := c.opts.Clock()
	if len(c.learning.evening) > 0 {
		last := c.learning.evening[0]
		shot := bootclock.Reading{Boot: last.When.Boot, SinceBoot: last.When.SinceBoot, Wall: last.At,
			Trusted: last.When.Dated != record.Undated}
		before, ticked := idleSince(c.evening.latest, now)
		if since, known := idleSince(shot, now); known && (!ticked || since < before) {
			c.evening.latest = shot
		}
	}
	c.lapseEvening(now)
}

// readTicks reads what the journal kept of a session's ticks, without points that are on neither list. Earlier versions
// kept a list of the cautions only.
func readTicks(text string) (stored storedTicks, err error) {
	if err := json.Unmarshal([]byte(text), &stored.Care); err != nil {
		stored = storedTicks{}
		if err := json.Unmarshal([]byte(text), &stored); err != nil {
			return storedTicks{}, err
		}
	}
	stored.Care, stored.Evening = known(stored.Care, care.Checklist()), known(stored.Evening, care.Evening())
	return stored, nil
}

// known is which points of a list were ticked, in its order.
func known(ids []string, list []care.Caution) []string {
	ticked := []string{}
	for _, point := range list {
		if slices.Contains(ids, point.ID) {
			ticked = append(ticked, point.ID)
		}
	}
	return ticked
}

// eveningList is the evening's list with its ticks. The mutex is held.
func (c *Control) eveningList() []Care {
	list := []Care{}
	for _, point := range care.Evening() {
		list = append(list, Care{ID: point.ID, Text: point.Text, Ticked: c.evening.ticked[point.ID]})
	}
	return list
}

// ticksToStore is what the journal keeps of the ticks. The mutex is held.
func (c *Control) ticksToStore() storedTicks {
	at := c.evening.latest
	return storedTicks{Care: sorted(c.ticked), Evening: sorted(c.evening.ticked),
		Latest: reading{at.Boot, at.SinceBoot.Nanoseconds(), at.Wall.UnixNano(), at.Trusted}}
}

func sorted(ids map[string]bool) []string {
	return slices.AppendSeq([]string{}, slices.Values(slices.Sorted(maps.Keys(ids))))
}
