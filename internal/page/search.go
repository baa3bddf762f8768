package page

import (
	"context"
	"errors"
	"slices"
	"strconv"

	"stillwater/internal/history"
	"stillwater/internal/record"
)

// shotPlace is where a shot is.
type shotPlace struct {
	session int64
	number  int
}

// stretch is a number of shots one after the other whose pictures have numbers of the camera.
type stretch struct{ from, file, shots int }

// search finds the sessions that have all the words, themselves or in what was said of a shot; problem says what could
// not be searched.
func (s *Server) search(
	ctx context.Context, all []record.Summary, words history.Query,
) (found []PastSession, problem string, err error) {
	texts, matches := map[int64]string{}, map[int64][]int{}
	for _, one := range all {
		texts[one.ID] = history.SessionText(one)
	}
	if len(words) > 0 {
		if err := s.searchShots(ctx, texts, words, matches); errors.Is(err, record.ErrDamaged) {
			problem = "The record is damaged: verdicts and notes could not be searched, only names, dates and kinds."
		} else if err != nil {
			return nil, "", err
		}
	}
	for _, one := range all {
		if !words.MatchSession(texts[one.ID]) && len(matches[one.ID]) == 0 {
			continue
		}
		past := viewSession(one)
		numbers := matches[one.ID]
		slices.Sort(numbers)
		slices.Reverse(numbers)
		past.Matches = append(past.Matches, numbers[:min(len(numbers), maxMatches)]...)
		found = append(found, past)
	}
	return found, problem, nil
}

// searchShots finds the shots that have the words, by session.
func (s *Server) searchShots(
	ctx context.Context, texts map[int64]string, words history.Query, matches map[int64][]int,
) error {
	stretches := map[int64][]stretch{}
	err := s.opts.Record.FileNumbers(ctx, func(first record.Shot, shots int) {
		stretches[first.Session] = append(stretches[first.Session], stretch{first.Number, first.File, shots})
	})
	if err != nil {
		return err
	}
	frames := map[shotPlace]string{}
	err = s.opts.Record.FrameNames(ctx, func(session int64, shot int, name string) {
		frames[shotPlace{session, shot}] = name
	})
	if err != nil {
		return err
	}
	match := func(made record.Shot) {
		place := shotPlace{made.Session, made.Number}
		made.Frame = frames[place]
		delete(frames, place)
		if text, known := texts[made.Session]; known && words.MatchShot(text, made) {
			matches[made.Session] = append(matches[made.Session], made.Number)
		}
	}
	numbered := shotsWithFiles(stretches, words)
	err = s.opts.Record.Remarked(ctx, func(made record.Shot) {
		for _, stretch := range stretches[made.Session] {
			if made.Number >= stretch.from && made.Number < stretch.from+stretch.shots {
				made.File = record.FileAfter(stretch.file, made.Number-stretch.from)
			}
		}
		delete(numbered, shotPlace{made.Session, made.Number})
		match(made)
	})
	if err != nil {
		return err
	}
	for place, file := range numbered {
		match(record.Shot{Session: place.session, Number: place.number, File: file})
	}
	for place := range frames {
		match(record.Shot{Session: place.session, Number: place.number})
	}
	return nil
}

// shotsWithFiles are the shots whose picture has a number of the camera that is one of the words.
func shotsWithFiles(stretches map[int64][]stretch, words history.Query) map[shotPlace]int {
	found := map[shotPlace]int{}
	for _, word := range words {
		file, err := strconv.Atoi(word)
		if err != nil || file < 1 || file > record.MaxFile {
			continue
		}
		for session, list := range stretches {
			for _, s := range list {
				for at := (file - s.file + record.MaxFile) % record.MaxFile; at < s.shots; at += record.MaxFile {
					found[shotPlace{session, s.from + at}] = file
				}
			}
		}
	}
	return found
}
