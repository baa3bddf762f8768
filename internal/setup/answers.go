package setup

import (
	"context"
	"fmt"
	"maps"

	"stillwater/internal/config"
)

// Merge puts given answers, as they are typed, over others. The name "board" is what has the pins. A pin that is given
// for a board that has none makes it one of GPIO lines, unless the board is given too.
func Merge(have Answers, given map[string]string) (Answers, error) {
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
		pin, err := p.ParsePin(text)
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

// Interview asks for everything that is not given. What is there already is offered, else what the first build of the
// hardware folder has.
func (t *Terminal) Interview(ctx context.Context, have Answers, given map[string]string) (Answers, error) {
	a, err := Merge(have, given)
	if err != nil {
		return a, err
	}
	if _, is := given["board"]; !is {
		offer := a.Board
		if offer == config.Simulated {
			offer = config.GPIO
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
	for {
		if err := t.askParts(ctx, &a, have, given); err != nil {
			return a, err
		}
		err := a.Check()
		if err == nil {
			return a, nil
		}
		t.Say("\n%v.", err)
		if len(given) > len(Parts()) {
			return a, err
		}
	}
}

func (t *Terminal) askParts(ctx context.Context, a *Answers, have Answers, given map[string]string) error {
	for _, p := range Parts() {
		if _, is := given[p.Name]; is {
			continue
		}
		offer := a.Pins[p.Name]
		if offer == "" && have.Board != config.GPIO && p.First && !has(a.Pins, p.Name) {
			offer = p.Pin
		}
		if offer == "" {
			offer = No
		}
		question := fmt.Sprintf("%s: %s (%s)", p.Name, p.What, p.Pin)
		err := t.Ask(ctx, question, offer, func(line string) (err error) {
			a.Pins[p.Name], err = p.ParsePin(line)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}
