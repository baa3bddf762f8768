package commandline_test

import (
	"bytes"
	"errors"
	"flag"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/commandline"
)

// given is what the flags of a command were set to.
type given struct {
	out   string
	count int
	seed  uint64
	limit time.Duration
	json  bool
}

func newFlags() (*flag.FlagSet, *given) {
	flags, g := flag.NewFlagSet("record show", flag.ContinueOnError), &given{}
	flags.SetOutput(io.Discard)
	flags.StringVar(&g.out, "out", "", "write `FILE`")
	flags.IntVar(&g.count, "count", 5, "how many")
	flags.Uint64Var(&g.seed, "seed", 0, "of the room")
	flags.DurationVar(&g.limit, "limit", 0, "the latest")
	flags.BoolVar(&g.json, "json", false, "write JSON")
	flags.Func("phase", "the `PHASE` to take", func(s string) error {
		if s != "crown" {
			return errors.New("use crown")
		}
		return nil
	})
	return flags, g
}

func TestParse(t *testing.T) {
	for line, want := range map[string]given{
		"":                                   {count: 5},
		"--out a -count=-3 --json --seed 7":  {out: "a", count: -3, json: true, seed: 7},
		"--json=false --limit 5ms --out=-":   {count: 5, limit: 5 * time.Millisecond, out: "-"},
		"--phase crown -json -- --out other": {count: 5, json: true},
	} {
		flags, g := newFlags()
		require.NoError(t, commandline.Parse(flags, strings.Fields(line)), line)
		assert.Equal(t, want, *g, line)
	}
	flags, _ := newFlags()
	require.NoError(t, commandline.Parse(flags, strings.Fields("--json -- --out other")))
	assert.Equal(t, []string{"--out", "other"}, flags.Args())
	for _, help := range []string{"-h", "--help", "--json -h"} {
		flags, _ := newFlags()
		assert.ErrorIs(t, commandline.Parse(flags, strings.Fields(help)), flag.ErrHelp, help)
	}
}

func TestErrorsAreInTheWordsThatWereTyped(t *testing.T) {
	for line, want := range map[string]string{
		"--ouch":        `there is no flag "--ouch"; see stillwater record show -h`,
		"--out":         "--out needs a value: FILE",
		"--out=":        "--out is empty: give FILE, or leave it out",
		"--count many":  `--count "many": give a whole number`,
		"--seed -1":     `--seed "-1": give a whole number from 0`,
		"--limit 5":     `--limit "5": give a time with its unit, like 5ms`,
		"--json=maybe":  `--json "maybe": give true or false, or no value`,
		"--phase plume": `--phase "plume": use crown`,
	} {
		flags, _ := newFlags()
		err := commandline.Parse(flags, strings.Fields(line))
		assert.EqualError(t, err, "usage: record show: "+want)
		assert.ErrorIs(t, err, commandline.ErrUsage)
	}
	err := commandline.Parse(flag.NewFlagSet("stillwater", flag.ContinueOnError), []string{"--ouch"})
	assert.EqualError(t, err, `usage: there is no flag "--ouch"; see stillwater -h`)
}

func TestFlagsAmongWords(t *testing.T) {
	flags, g := newFlags()
	words, err := commandline.ParseAmong(flags, strings.Fields("latest --json milk --out a crown"))
	require.NoError(t, err)
	assert.Equal(t, []string{"latest", "milk", "crown"}, words)
	assert.Equal(t, given{out: "a", count: 5, json: true}, *g)
	_, err = commandline.ParseAmong(flags, strings.Fields("latest --ouch"))
	assert.ErrorIs(t, err, commandline.ErrUsage)
	assert.Equal(t, "json", commandline.FirstGiven(flags, "out", "json"))
	assert.Empty(t, commandline.FirstGiven(flags, "seed"))
}

func TestPrint(t *testing.T) {
	flags, _ := newFlags()
	var out strings.Builder
	commandline.Print(&out, flags)
	assert.Equal(t, strings.Join([]string{
		"  --count 5                  how many",
		"  --json                     write JSON",
		"  --limit 0s                 the latest",
		"  --out FILE                 write FILE",
		"  --phase PHASE              the PHASE to take",
		"  --seed uint                of the room",
	}, "\n"), strings.TrimRight(out.String(), "\n"))
}

// failing takes some bytes and then is full.
type failing struct {
	bytes.Buffer
	room int
}

func (f *failing) Write(p []byte) (int, error) {
	if len(p) > f.room {
		return 0, errFull
	}
	f.room -= len(p)
	return f.Buffer.Write(p)
}

var errFull = errors.New("no space left")

func TestOutputKeepsItsFirstError(t *testing.T) {
	to := &failing{room: 4}
	out := commandline.NewOutput(to)
	_, err := io.WriteString(out, "ab")
	require.NoError(t, err)
	require.NoError(t, out.Err())
	_, err = io.WriteString(out, "cdef")
	require.ErrorIs(t, err, errFull)
	_, err = io.WriteString(out, "c")
	require.NoError(t, err)
	assert.EqualError(t, out.Err(), "cannot write the answer to standard output: no space left; it is incomplete")
	assert.Equal(t, ^uintptr(0), out.Fd(), "no file is behind it")
}

func TestQuote(t *testing.T) {
	assert.Equal(t, `stillwater drop --height '40 cm' --set '' 'it'\''s'`,
		commandline.Quote([]string{"stillwater", "drop", "--height", "40 cm", "--set", "", "it's"}))
}
