// Package commandline reads a command's flags, and says what is wrong with them in the words that people type.
package commandline

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// ErrUsage marks errors in how a command was called.
var ErrUsage = errors.New("usage")

// Parse reads the flags of a command, up to the first other word. Errors name flags as people type them, which those of
// package flag do not; the error is flag.ErrHelp if help was asked for. An empty text is an error: it is not the same
// as leaving the flag out. The flag set is named as the command is, or "stillwater" without one.
func Parse(flags *flag.FlagSet, args []string) error {
	for len(args) > 0 && len(args[0]) > 1 && args[0][0] == '-' {
		word := args[0]
		args = args[1:]
		if word == "--" {
			break
		}
		name, value, valued := strings.Cut(strings.TrimPrefix(word[1:], "-"), "=")
		f := flags.Lookup(name)
		switch {
		case f == nil && (name == "h" || name == "help"):
			return flag.ErrHelp
		case f == nil:
			return usageError(flags, "there is no flag %q; see %s -h", "--"+name, commandOf(flags))
		case !valued && isSwitch(f):
			value = "true"
		case !valued && len(args) == 0:
			return usageError(flags, "--%s needs a value: %s", name, wanted(f))
		case !valued:
			value, args = args[0], args[1:]
		}
		if err := setFlag(flags, f, value); err != nil {
			return err
		}
	}
	return flags.Parse(append([]string{"--"}, args...))
}

// ParseAmong is Parse where flags may stand before and after other words, which it returns.
func ParseAmong(flags *flag.FlagSet, args []string) (words []string, err error) {
	for {
		if err := Parse(flags, args); err != nil {
			return nil, err
		}
		if flags.NArg() == 0 {
			return words, nil
		}
		words, args = append(words, flags.Arg(0)), flags.Args()[1:]
	}
}

func setFlag(flags *flag.FlagSet, f *flag.Flag, value string) error {
	_, isText := valueOf(f).(string)
	err := flags.Set(f.Name, value)
	switch {
	case value == "" && isText:
		return usageError(flags, "--%s is empty: give %s, or leave it out", f.Name, wanted(f))
	case err != nil && valueOf(f) != nil: // the error is package flag's, and says less
		return usageError(flags, "--%s %q: give %s", f.Name, value, wanted(f))
	case err != nil:
		return usageError(flags, "--%s %q: %w", f.Name, value, err)
	}
	return nil
}

// usageError is an error in how a command was called.
func usageError(flags *flag.FlagSet, format string, args ...any) error {
	where := ""
	if command, named := strings.CutPrefix(commandOf(flags), "stillwater "); named {
		where = command + ": "
	}
	return fmt.Errorf("%w: %s"+format, append([]any{ErrUsage, where}, args...)...)
}

// commandOf is how the command of a flag set is typed.
func commandOf(flags *flag.FlagSet) string {
	if flags.Name() == "stillwater" {
		return flags.Name()
	}
	return "stillwater " + flags.Name()
}

// valueOf is the value of a flag of one of the plain types, nil of another one.
func valueOf(f *flag.Flag) any {
	if g, ok := f.Value.(flag.Getter); ok {
		switch v := g.Get().(type) {
		case string, bool, int, uint64, time.Duration:
			return v
		}
	}
	return nil
}

func isSwitch(f *flag.Flag) bool {
	_, is := valueOf(f).(bool)
	return is
}

// wanted says what a flag takes.
func wanted(f *flag.Flag) string {
	switch valueOf(f).(type) {
	case bool:
		return "true or false, or no value"
	case int:
		return "a whole number"
	case uint64:
		return "a whole number from 0"
	case time.Duration:
		return "a time with its unit, like 5ms"
	}
	name, _ := flag.UnquoteUsage(f)
	return name
}

// Print lists the flags, each with its default or what it takes.
func Print(w io.Writer, flags *flag.FlagSet) {
	flags.VisitAll(func(f *flag.Flag) {
		value, usage := flag.UnquoteUsage(f)
		if f.DefValue != "" && f.DefValue != "0" && f.DefValue != "false" {
			value = f.DefValue
		}
		fmt.Fprintf(w, "  --%-24s %s\n", strings.TrimSpace(f.Name+" "+value), usage)
	})
}

// FirstGiven is the first of these flags, in order of name, that was given; "" none.
func FirstGiven(flags *flag.FlagSet, names ...string) (first string) {
	flags.Visit(func(f *flag.Flag) {
		if first == "" && slices.Contains(names, f.Name) {
			first = f.Name
		}
	})
	return first
}
