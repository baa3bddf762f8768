package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
)

// parseFlags reads the flags of a command; the error is flag.ErrHelp or in the words that people type. The flag set is
// named as the command is, or "stillwater" without one.
func parseFlags(flags *flag.FlagSet, args []string) error {
	err := flags.Parse(args)
	if err == nil || errors.Is(err, flag.ErrHelp) {
		return err
	}
	message := err.Error()
	for _, before := range []string{"for flag -", " for -", "not defined: -", "needs an argument: -"} {
		message = strings.Replace(message, before, before+"-", 1)
	}
	command, where := "stillwater", ""
	if name := flags.Name(); name != command {
		command, where = command+" "+name, name+": "
	}
	if strings.Contains(message, "not defined: -") {
		message += "; see " + command + " -h"
	}
	return fmt.Errorf("%w: %s%s", errUsage, where, message)
}

// onlyFlags reads the flags of a command that takes nothing else. Asked for help it says about, the flags, and what is
// after them. instead says what to do with a word too many; it may be empty.
func (m *Main) onlyFlags(flags *flag.FlagSet, args []string, about, after, instead string) error {
	err := parseFlags(flags, args)
	if errors.Is(err, flag.ErrHelp) {
		fmt.Fprint(m.Stdout, about)
		printFlags(m.Stdout, flags)
		fmt.Fprint(m.Stdout, after)
	}
	if err == nil && flags.NArg() > 0 {
		err = fmt.Errorf("%w: %s: %q is too much%s", errUsage, flags.Name(), flags.Arg(0), instead)
	}
	return err
}

// printFlags lists the flags, each with its default or what it takes.
func printFlags(w io.Writer, flags *flag.FlagSet) {
	flags.VisitAll(func(f *flag.Flag) {
		value, usage := flag.UnquoteUsage(f)
		if f.DefValue != "" && f.DefValue != "0" && f.DefValue != "false" {
			value = f.DefValue
		}
		fmt.Fprintf(w, "  --%-24s %s\n", strings.TrimSpace(f.Name+" "+value), usage)
	})
}
