package export

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"stillwater/internal/commandline"
	"stillwater/internal/journal"
	"stillwater/internal/record"
)

// FindSession finds a session by a word: "latest" or its number. Errors name where the word was given; a word that is
// neither is commandline.ErrUsage.
func FindSession(ctx context.Context, j *journal.Journal, where, word string) (record.Summary, error) {
	number, err := strconv.ParseInt(word, 10, 64)
	if word != "latest" && (err != nil || number < 1) {
		return record.Summary{}, fmt.Errorf("%w: %s %q: expected a session's number or latest",
			commandline.ErrUsage, where, word)
	}
	all, err := j.Sessions(ctx)
	if err != nil {
		return record.Summary{}, err
	}
	for _, s := range all {
		if word == "latest" || s.ID == number {
			return s, nil
		}
	}
	if len(all) == 0 {
		return record.Summary{}, fmt.Errorf("there is no session in %s yet; it gets one when the daemon runs", j.Path())
	}
	return record.Summary{}, fmt.Errorf("%s: there is no session %s; \"stillwater record list\" shows those there are",
		where, word)
}

// FindStoredSet finds the set of a session by its number or "latest", or of one of its shots, like 3/17. Errors as of
// FindSession.
func FindStoredSet(ctx context.Context, j *journal.Journal, command, id string) (StoredSet, error) {
	session, shotWord, isShot := strings.Cut(id, "/")
	number, err := strconv.Atoi(shotWord)
	if isShot && (err != nil || number < 1) {
		return StoredSet{}, fmt.Errorf("%w: %s: ID %q: expected a shot's number after the /, like 3/17",
			commandline.ErrUsage, command, id)
	}
	s, err := FindSession(ctx, j, command+": ID", session)
	if err != nil {
		return StoredSet{}, err
	}
	if !isShot {
		return SessionSet(s.Session)
	}
	made, err := j.Shot(ctx, s.ID, number)
	if errors.Is(err, record.ErrNotFound) {
		return StoredSet{}, fmt.Errorf("ID %q: session %d has no shot %d; \"stillwater record show %d\" shows those "+
			"that it has", id, s.ID, number, s.ID)
	}
	if err != nil {
		return StoredSet{}, err
	}
	return ShotSet(made)
}
