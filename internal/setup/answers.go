package setup

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"stillwater/internal/config"
	"stillwater/internal/wire"
)

// Merge puts given answers, as they are typed, over others. The name "board" is what has the pins. A pin that is given
// for a board that has none makes it one of GPIO lines, unless the board is given too. What known says of a pin that
// the header has not is whether this machine has it.
func Merge(have Answers, given map[string]string, known func(pin string) bool) (Answers, error) {
	a := Answers{have.Board, maps.Clone(have.Pins)}
	if a.Pins == nil {
		a.Pins = map[string]string{}
	}
	if text, is := given["board"]; is {
		kind, err := ParseBoard(text)
		if err != nil {
			return a, err
		}
		a.Board = kind
	}
	for _, p := range Parts() {
		text, is := given[p.Name]
		if !is {
			continue
		}
		pin, err := p.find(text, have.or(known))
		if err != nil {
			return a, err
		}
		_, named := given["board"]
		if a.Board != config.GPIO && pin != "" {
			if named || a.Board == config.Serial {
				return a, fmt.Errorf("%s: a %s board has no pins to choose; leave it out, or give gpio as the board", p.Name,
					a.Board)
			}
			a.Board = config.GPIO
		}
		a.Pins[p.Name] = pin
	}
	if a.Board != config.GPIO {
		a.Pins = map[string]string{}
	}
	return a, nil
}

// or adds the pins that are in use to those that are known.
func (a Answers) or(known func(pin string) bool) func(pin string) bool {
	return func(pin string) bool {
		return slices.Contains(slices.Collect(maps.Values(a.Pins)), pin) || known != nil && known(pin)
	}
}

// Interview asks for everything that is not given. What is there already is offered; where nothing is, the board offer,
// and what the first build of the hardware folder has.
func (t *Terminal) Interview(ctx context.Context, have Answers, offer config.Kind, given map[string]string,
	known func(pin string) bool,
) (Answers, error) {
	a, err := Merge(have, given, known)
	if err == nil {
		err = clash(a, given)
	}
	if err != nil {
		return a, err
	}
	if _, is := given["board"]; !is {
		if a.Board != config.Simulated {
			offer = a.Board
		}
		t.Say("What has the pins? gpio: the 40-pin header, or other lines of this machine; serial: a timing board on USB;\n" +
			"simulated: nothing is wired.")
		err := t.Ask(ctx, "Board", string(offer), func(line string) (err error) {
			a.Board, err = ParseBoard(line)
			return err
		})
		if err != nil {
			return a, err
		}
	}
	if a.Board != config.GPIO {
		a.Pins = map[string]string{}
		return a, nil
	}
	t.Say("\nWhat is connected, and where? Enter takes what is in brackets; %s is the pin of the hardware folder; or\n"+
		"type a pin: GPIO17, its position on the header (11), a line of a chip (gpiochip0:17); %s for what is not there.",
		Yes, No)
	understand := have.or(known)
	err = t.askParts(ctx, &a, have, given, understand)
	for err == nil {
		err = a.Check()
		if !errors.Is(err, errNoOutput) || allOutputs(given) {
			return a, err
		}
		t.Say("\n%v.", err)
		given = inputsToo(given)
		err = t.askParts(ctx, &a, have, given, understand)
	}
	return a, err
}

// newValve reports whether the answers add a valve: it needs the guard, which is then offered.
func newValve(have, a Answers) bool {
	return slices.ContainsFunc(Parts(), func(p Part) bool {
		return p.kind == wire.OutputValve && a.Pins[p.Name] != "" && have.Pins[p.Name] == ""
	})
}

// clash says which two given answers contradict each other: there is no point in asking for the others.
func clash(a Answers, given map[string]string) error {
	pins := map[string]string{}
	for _, p := range Parts() {
		if !has(given, p.Name) {
			continue
		}
		if err := p.free(a.Pins[p.Name], pins); err != nil {
			return err
		}
		pins[p.Name] = a.Pins[p.Name]
	}
	return nil
}

// allOutputs reports whether there is no output left to ask for.
func allOutputs(given map[string]string) bool {
	return !slices.ContainsFunc(Parts(), func(p Part) bool { return p.kind != noKind && !has(given, p.Name) })
}

// inputsToo returns the given answers completed for everything but outputs, so that only outputs are asked for.
func inputsToo(given map[string]string) map[string]string {
	all := maps.Clone(given)
	if all == nil {
		all = map[string]string{}
	}
	for _, p := range Parts() {
		if p.kind == noKind && !has(all, p.Name) {
			all[p.Name] = ""
		}
	}
	return all
}

// askParts asks for each part that is not given. A pin that one has that was given or asked for before is refused.
func (t *Terminal) askParts(ctx context.Context, a *Answers, have Answers, given map[string]string,
	known func(pin string) bool,
) error {
	settled := map[string]string{}
	for _, p := range Parts() {
		if has(given, p.Name) {
			settled[p.Name] = a.Pins[p.Name]
		}
	}
	for _, p := range Parts() {
		if has(given, p.Name) {
			continue
		}
		offer := a.Pins[p.Name]
		first := have.Board != config.GPIO && p.First && !has(a.Pins, p.Name)
		if offer == "" && (first || p.Name == Guard && newValve(have, *a)) {
			offer = p.Pin
		}
		if offer == "" || p.free(offer, settled) != nil {
			offer = No
		}
		question := fmt.Sprintf("%s: %s (%s)", p.Name, p.What, p.Pin)
		err := t.Ask(ctx, question, offer, func(line string) error {
			pin, err := p.find(line, known)
			if err == nil {
				err = p.free(pin, settled)
			}
			a.Pins[p.Name], settled[p.Name] = pin, pin
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}
