package control

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"stillwater/internal/record"
	"stillwater/internal/sentence"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

const (
	maxShots      = 999
	maxNameLength = 80
)

// Do carries out one command of a client. It returns nil once the command has taken effect; a remark is on
// the disk then, what else it changed is on its way into the journal, and Snapshot.Record says if that does not work.
// The error is a *Refusal: nothing was changed, except by a remark that the journal could not take yet.
func (c *Control) Do(ctx context.Context, client string, cmd Command) error {
	switch cmd.Type {
	case "disarm":
		return c.disarm("disarmed by " + client)
	case "arm", "go", "room", "touch", "pulse", "prime", "lag":
		return c.start(ctx, client, cmd)
	case "verdict", "note", "star", "picture", "measure", "file", "rename":
		return c.recordRemark(ctx, client, cmd)
	case "again":
		return c.useAgain(ctx, client, cmd)
	case "match", "unmatch", "reference", "black", "spot", "ruler", "accept", "unaccept":
		return c.changeCamera(ctx, client, cmd)
	case "threshold":
		return c.setThreshold(ctx, client, cmd)
	case "uselag":
		return c.useLag(client)
	case "places":
		return c.usePlaces(client)
	case "sweep":
		return c.startSweep(client, cmd)
	case "set":
		return c.putField(client, cmd.Field, cmd.Value)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.change(client, cmd); err != nil {
		return err
	}
	c.watchHolder(time.Now())
	c.publish()
	return nil
}

// start carries out the commands that may switch something on.
func (c *Control) start(ctx context.Context, client string, cmd Command) error {
	c.afterDisarm(ctx)
	switch cmd.Type {
	case "arm":
		return c.arm(ctx, client, cmd)
	case "go":
		return c.sendGo(ctx, cmd.Epoch, func() error { return c.checkStart(client, cmd) })
	case "room":
		return c.releaseInRoom(ctx, client, cmd)
	case "touch":
		return c.touchInRoom(ctx, client, cmd)
	case "lag":
		return c.measureLag(client, cmd)
	}
	return c.pulse(ctx, client, cmd)
}

// change carries out the commands that wait for nothing.
func (c *Control) change(client string, cmd Command) error {
	switch cmd.Type {
	case "take":
		return c.take(client)
	case "clock":
		return c.phoneClock(client, cmd.Now)
	case "page":
		return c.setHidden(client, cmd)
	}
	if err := c.requireHolder(client); err != nil {
		return err
	}
	switch cmd.Type {
	case "give":
		return c.give(cmd.To)
	case "release":
		return c.release()
	case "care":
		return c.tick(cmd.ID, cmd.Ticked)
	case "evening":
		return c.tickEvening(cmd.ID, cmd.Ticked)
	case "session":
		return c.startSession(cmd.Name)
	case "enter":
		return c.enterRoom(cmd)
	}
	return refusal("type", fmt.Sprintf("There is no command %q.", cmd.Type), "Reload the page.")
}

// requireHolder refuses a client that does not hold the controls.
func (c *Control) requireHolder(client string) error {
	switch c.phones.holder {
	case client:
		if c.phones.connected[client] > 0 {
			return nil
		}
		return refusal("controls", "This phone is not connected.", "Reload the page.")
	case "":
		return refusal("controls", "Nobody holds the controls.", "Take them first.")
	}
	return refusal("controls", fmt.Sprintf("The controls are with %s.", c.phones.holder),
		"Ask for them. Disarming is open to everyone.")
}

// requireDisarmed refuses while something is armed or being armed.
func (c *Control) requireDisarmed(field, what string) error {
	if c.current != nil || c.arming || c.active() {
		return refusal(field, what+" cannot change while armed.", "Disarm first.")
	}
	return nil
}

// startSession starts a session with the set as it is and every caution to be ticked again.
func (c *Control) startSession(name string) error {
	if err := c.requireDisarmed("name", "The session"); err != nil {
		return err
	}
	name = strings.TrimSpace(name)
	if err := plainText("name", name, maxNameLength, false); err != nil {
		return err
	}
	if c.session.id == 0 {
		return refusal("name", "The open session is not in the record yet"+because(c.rec.status().Problem)+".",
			"Try again when it is.")
	}
	c.clearShotsDone()
	c.askCareAgain("this is a new session")
	c.evening = eveningTicks{ticked: map[string]bool{}}
	c.sweep, c.lastSets = nil, map[shot.Kind]shot.Set{}
	c.session = c.newSession(name)
	c.shots, c.shotCount, c.nextFile, c.lastSeen, c.notice = nil, 0, 0, "", ""
	c.camera = CameraStatus{Version: c.camera.Version + 1, Problem: c.camera.Problem}
	c.learning.evening, c.learning.view = nil, nil
	c.learn()
	c.saveSession(c.session)
	return nil
}

func (c *Control) newSession(name string) *session {
	now := c.opts.Clock()
	return &session{name: name, started: c.dates.date(now), set: c.set, ticks: c.ticksToStore(), row: record.Session{
		Name: name, Started: now.Wall, When: whenOf(now), Board: c.opts.Kind,
	}}
}

// plainText refuses text that is too long, or holds control characters or those that turn the direction of writing
// (Unicode Standard Annex 9, from memory) and with it what stands beside them. Marks that turn no other text may stay.
func plainText(field, text string, longest int, lines bool) error {
	if !utf8.ValidString(text) || utf8.RuneCountInString(text) > longest {
		return refusal(field, fmt.Sprintf("That is too long: the limit is %d characters.", longest), "Shorten it.")
	}
	for _, r := range text {
		turns := r >= '\u202a' && r <= '\u202e' || r >= '\u2066' && r <= '\u2069'
		if (unicode.IsControl(r) || turns) && !(lines && r == '\n') {
			return refusal(field, "That contains characters that are not text.", "Type it again.")
		}
	}
	return nil
}

// releaseInRoom releases the simulated drop, throw or sound.
func (c *Control) releaseInRoom(ctx context.Context, client string, cmd Command) error {
	c.mu.Lock()
	err := c.checkStart(client, cmd)
	if err == nil && c.opts.Room == nil {
		err = refusal("room", "This is not the simulated room.", "Let the drop or the throw go by hand.")
	}
	if err == nil && c.set.Kind == shot.Drops {
		err = c.dropsNotByHand()
	}
	if err != nil {
		c.mu.Unlock()
		return err
	}
	set := c.set
	ctx, q := c.beginRequest(ctx)
	c.mu.Unlock()
	err = c.opts.Room.Release(ctx, set)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.endRequest(q)
	switch {
	case err == nil:
		c.letGo()
		c.publish()
		return nil
	case c.epoch != cmd.Epoch:
		return refusal("room", "It was disarmed meanwhile: "+c.reason+".", "Check the state, then try again.")
	case c.opts.Room.Busy():
		return refusal("room", "Something is still falling or flying.", "Wait until it is over.")
	}
	return toRefusal(err)
}

// dropsNotByHand says how drops from a valve are released in this state. The mutex is held.
func (c *Control) dropsNotByHand() *Refusal {
	const why = "These drops fall when the valve opens."
	switch r := c.current; {
	case r == nil:
		return refusal("room", why, "Arm, then press Go.")
	case r.waitsGo && c.active():
		return refusal("room", why, "Press Go.")
	}
	return refusal("room", why, "Wait until Go is asked for, then press it.")
}

// touchInRoom puts a finger in a simulated beam, or on the simulated button.
func (c *Control) touchInRoom(ctx context.Context, client string, cmd Command) error {
	c.mu.Lock()
	err := c.checkStart(client, cmd)
	if err == nil && c.opts.Room == nil {
		err = refusal("input", "This is not the simulated room.", "Use your own finger.")
	}
	if err != nil {
		c.mu.Unlock()
		return err
	}
	ctx, q := c.beginRequest(ctx)
	c.mu.Unlock()
	err = c.opts.Room.Touch(ctx, cmd.Input)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.endRequest(q)
	switch {
	case err == nil:
		return nil
	case c.epoch != cmd.Epoch:
		return refusal("input", "It was disarmed meanwhile: "+c.reason+".", "Check the state, then try again.")
	}
	return refusal("input", sentence.From(err.Error()), "Touch a beam or the button while nothing else is in it.")
}

// cameAndWent begins the message about what the armed board did not see, which stays until the next release.
const cameAndWent = "It came and went, and "

// letGo notes that something was released in the simulated room. The mutex is held.
func (c *Control) letGo() {
	c.unseen = c.boardState == wire.Armed
	if strings.HasPrefix(c.notice, cameAndWent) {
		c.notice = ""
	}
	c.tasks.after(minPublishInterval, c.watchRoom)
}

// watchRoom shows when the simulated room is still again, and says so if the armed board saw nothing of it.
func (c *Control) watchRoom() {
	if c.opts.Room.Busy() {
		c.tasks.after(minPublishInterval, c.watchRoom)
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.unseen && c.boardState == wire.Armed && c.lastRun.program.Clock != nil {
		c.notice = cameAndWent + fmt.Sprintf("%s saw nothing: no shot. It is still armed: let it come again. If this "+
			"happens often, move the sensor until it reacts", c.inputName(c.lastRun.program.Clock.Input))
	}
	c.unseen = false
	c.publishSoon()
}

// toRefusal puts the errors of package shot, and any other, in the form a phone shows.
func toRefusal(err error) *Refusal {
	var field *shot.FieldError
	var whole *shot.Refusal
	var own *Refusal
	switch {
	case errors.As(err, &own):
		return own
	case errors.As(err, &whole):
		r := refusal(whole.Field, whole.Why, whole.Remedy)
		for _, f := range whole.Fixes {
			r.Fixes = append(r.Fixes, FixOf(f))
		}
		return r
	case errors.As(err, &field):
		return refusal(field.Field, field.Why, field.Remedy)
	}
	return refusal("", err.Error(), "")
}
