package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"

	"stillwater/internal/invite"
)

const pairingUsage = `stillwater pairing says where the page of the installed service is, and the code that pairs
a phone. The code is for whoever administers this machine: sudo stillwater pairing
A Stillwater that was started by hand shows its code where it was started; started again it has a
new one, and with --forget-phones it knows no phone any more.

It is six digits. Once 20 wrong codes were typed, by whoever, it is longer, so that nobody can guess
it and nobody has to wait; --new goes back to six digits.

`

// pairing says where the service's page is and with which code a phone pairs.
func (m *Main) pairing(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("pairing", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	asJSON := flags.Bool("json", false, "write JSON")
	renew := flags.Bool("new", false, "make a new code first")
	forget := flags.Bool("forget", false, "forget all phones first: they are out at once and need the new code")
	if err := m.onlyFlags(flags, args, pairingUsage, "", ""); err != nil {
		return err
	}
	service := invite.NewService(m.Getenv)
	var forgotten *int
	var err error
	switch {
	case *forget:
		forgotten = new(int)
		*forgotten, err = service.ForgetPhones(ctx)
	case *renew:
		err = service.NewCode(ctx)
	}
	var in invite.Invitation
	if err == nil {
		in, err = service.Invitation()
	}
	if err == nil {
		err = m.showInvitation(in, forgotten, *asJSON)
	}
	if err != nil {
		return fmt.Errorf("pairing: %w", err)
	}
	return nil
}

func (m *Main) showInvitation(in invite.Invitation, forgotten *int, asJSON bool) error {
	if asJSON {
		return json.NewEncoder(m.Stdout).Encode(struct {
			Pages     []string `json:"pages"`
			Code      string   `json:"code"`
			Forgotten *int     `json:"forgotten,omitempty"` // phones
		}{in.URLs(), in.Code, forgotten})
	}
	if forgotten != nil {
		fmt.Fprintf(m.Stdout, "Phones forgotten: %d. They have to pair again.\n\n", *forgotten)
	}
	if err := in.Write(m.Stdout); err != nil {
		return err
	}
	in.DrawQR(m.Stdout, "\nOr point the phone's camera here:")
	return nil
}
