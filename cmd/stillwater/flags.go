package main

import (
	"errors"
	"flag"
	"fmt"

	"stillwater/internal/commandline"
)

// onlyFlags reads the flags of a command that takes nothing else. Asked for help it says about, the flags, and what is
// after them. instead says what to do with a word too many; it may be empty.
func (m *Main) onlyFlags(flags *flag.FlagSet, args []string, about, after, instead string) error {
	err := commandline.Parse(flags, args)
	if errors.Is(err, flag.ErrHelp) {
		fmt.Fprint(m.Stdout, about)
		commandline.Print(m.Stdout, flags)
		fmt.Fprint(m.Stdout, after)
	}
	if err == nil && flags.NArg() > 0 {
		err = fmt.Errorf("%w: %s: unexpected argument %q%s", errUsage, flags.Name(), flags.Arg(0), instead)
	}
	return err
}
