package control

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// useAgain takes the set of a session or a shot on record into the next shot, as far as it is possible. It arms
// nothing, and nothing may be armed.
func (c *Control) useAgain(ctx context.Context, client string, cmd Command) error {
	if (cmd.Session == 0) == (cmd.Shot == 0) {
		return refusal("session", "It is not clear which set to use again: name one session or one shot.", "Reload the page.")
	}
	if err := c.checkAgain(client); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTimeout)
	defer cancel()
	stored, err := c.opts.Journal.StoredSet(ctx, cmd.Session, cmd.Shot)
	switch {
	case errors.Is(err, record.ErrNotFound):
		return notOnRecord(cmd)
	case err != nil:
		return refusal("", "The set cannot be read from the record: "+RecordProblem(err)+".", "Try again in a moment.")
	}
	var adopted shot.Adoption
	err = c.changeSet(client, "", func(set *shot.Set) (err error) {
		if adopted, err = set.Adopt(stored); err != nil {
			return refusal("", "Its set cannot be read: "+err.Error()+".", "Use the set of another session or shot.")
		}
		*set = adopted.Set
		return nil
	})
	if err == nil {
		c.update(func() { c.notice = leftOutWords(adopted) })
	}
	return err
}

func (c *Control) checkAgain(client string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.checkPut(client, "")
}

// leftOutWords says what was not taken over, "" when all was.
func leftOutWords(a shot.Adoption) string {
	var fields []string
	for _, r := range a.Refused {
		fields = append(fields, r.Field)
	}
	if fields = append(fields, a.Missing...); len(fields) == 0 {
		return ""
	}
	return fmt.Sprintf("the set is taken over, except for these, which stay as they were: %s",
		strings.Join(fields, ", "))
}
