package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"

	"stillwater/internal/pairing"
)

const pairingUsage = `stillwater pairing shows the address of the installed service's page, and the code that pairs a
phone. Only an administrator of this machine may see the code: sudo stillwater pairing
If Stillwater was started by hand, the code is on the terminal where it was started. Each start makes a
new one, and a start with --forget-phones ends the pairing of all phones.

The code is six digits. After 20 wrong ones, whoever typed them, a longer code replaces it, so that
nobody can guess it and nobody has to wait; --new makes a six-digit code again.

`

// pairing shows where the service's page is and with which code a phone pairs.
func (m *Main) pairing(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("pairing", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	asJSON := flags.Bool("json", false, "write JSON")
	renew := flags.Bool("new", false, "make a new code first")
	forget := flags.Bool("forget", false,
		"forget all phones first: they are disconnected at once and must pair with the new code")
	if err := m.onlyFlags(flags, args, pairingUsage, "", ""); err != nil {
		return err
	}
	service := pairing.NewService(m.Getenv)
	var forgotten *int
	var err error
	switch {
	case *forget:
		forgotten = new(int)
		*forgotten, err = service.ForgetPhones(ctx)
	case *renew:
		err = service.NewCode(ctx)
	}
	var in pairing.Invitation
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

func (m *Main) showInvitation(in pairing.Invitation, forgotten *int, asJSON bool) error {
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
