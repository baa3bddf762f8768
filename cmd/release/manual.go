package main

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// manual is the program's own help: the source of the man page and of the completion, so that neither can differ.
type manual struct {
	commands []subcommand
	flags    []option // of the daemon
}

// subcommand is one row of "stillwater help" and what -h says after its name.
type subcommand struct {
	name, summary string
	help          string // without the flags; "" if there is no more
	words         []string
	flags         []option
}

// option is one flag: value is what it takes, "" for none.
type option struct{ name, value, usage string }

var (
	commandRow = regexp.MustCompile(`^  ([a-z]+) +(\S.*)$`)
	optionRow  = regexp.MustCompile(`^  --([a-z-]+)(?: (\S.*?))?(?: {2,}(\S.*))?$`)
)

// readManual asks the program: run calls it with arguments and returns all it printed.
func readManual(run func(args ...string) (string, error)) (manual, error) {
	text, err := run("help")
	if err != nil {
		return manual{}, fmt.Errorf("stillwater help: %w: %s", err, text)
	}
	var m manual
	_, m.flags = options(text)
	_, table, found := strings.Cut(text, "what it does\n")
	if !found {
		return m, fmt.Errorf("stillwater help has no table of commands:\n%s", text)
	}
	for line := range strings.Lines(table) {
		row := commandRow.FindStringSubmatch(strings.TrimRight(line, "\n"))
		if row == nil {
			break
		}
		c := subcommand{name: row[1], summary: row[2]}
		if c.name != "help" { // its help is the table itself
			text, err := run(c.name, "-h")
			if err != nil {
				return m, fmt.Errorf("stillwater %s -h: %w: %s", c.name, err, text)
			}
			c.help, c.flags = options(text)
			c.words = subwords(c.name, c.help)
		}
		m.commands = append(m.commands, c)
	}
	if len(m.commands) == 0 {
		return m, fmt.Errorf("stillwater help lists no command:\n%s", text)
	}
	return m, nil
}

// options extracts the flags from a text. "--name" with a value has its usage after two spaces.
func options(text string) (rest string, list []option) {
	var kept []string
	for line := range strings.SplitSeq(strings.TrimSpace(text), "\n") {
		if row := optionRow.FindStringSubmatch(line); row != nil {
			list = append(list, option{row[1], row[2], row[3]})
		} else {
			kept = append(kept, line)
		}
	}
	return strings.TrimSpace(strings.Join(kept, "\n")), list
}

// subwords finds the words that may follow a command in its usage: "stillwater record list ...".
func subwords(command, help string) (words []string) {
	usage := regexp.MustCompile(`(?m)^  stillwater ` + command + ` ([a-z]+)\b`)
	for _, m := range usage.FindAllStringSubmatch(help, -1) {
		if !slices.Contains(words, m[1]) {
			words = append(words, m[1])
		}
	}
	return words
}

var choices = regexp.MustCompile(`\bone of ([a-z][a-z, -]+)|: ([a-z]+) or ([a-z]+)$`)

// values lists what may follow a flag, if the help says so: "one of a, b, c", "csv or json".
func (o option) values() []string {
	m := choices.FindStringSubmatch(o.usage)
	switch {
	case m == nil || o.value == "":
		return nil
	case m[1] != "":
		return strings.Split(strings.TrimSpace(m[1]), ", ")
	}
	return m[2:]
}

// completion is the bash completion script.
func (m manual) completion() string {
	var b strings.Builder
	b.WriteString(completionHead)
	var names []string
	for _, c := range m.commands {
		names = append(names, c.name)
	}
	flags := func(list []option) string {
		var words []string
		for _, o := range list {
			words = append(words, "--"+o.name)
		}
		return strings.Join(words, " ")
	}
	fmt.Fprintf(&b, "  local commands=%q words=%q\n  case $command in\n", strings.Join(names, " "), flags(m.flags))
	for _, c := range m.commands {
		words := c.words
		if c.name == "help" {
			words = names
		}
		fmt.Fprintf(&b, "    %s) words=%q ;;\n", c.name, strings.TrimSpace(strings.Join(words, " ")+" "+flags(c.flags)))
	}
	b.WriteString("  esac\n  case $command:$previous in\n")
	m.completeValues(&b)
	b.WriteString(completionTail)
	return b.String()
}

// completeValues writes the completion of flags that take a value: files, known words, or none.
func (m manual) completeValues(b *strings.Builder) {
	for _, c := range append([]subcommand{{flags: m.flags}}, m.commands...) {
		var unknown []string
		for _, o := range c.flags {
			flag := c.name + ":--" + o.name
			switch values := o.values(); {
			case o.value == "":
			case values != nil:
				fmt.Fprintf(b, "    %s) words=%q ;;\n", flag, strings.Join(values, " "))
			case strings.EqualFold(o.value, "file"):
				fmt.Fprintf(b, "    %s) compopt -o filenames; COMPREPLY=($(compgen -f -- \"$current\")); return ;;\n", flag)
			default:
				unknown = append(unknown, flag)
			}
		}
		if unknown != nil {
			fmt.Fprintf(b, "    %s) return ;;\n", strings.Join(unknown, " | "))
		}
	}
}

const completionHead = `# bash completion for stillwater, made from its own help.
_stillwater() {
  local current=${COMP_WORDS[COMP_CWORD]} previous=${COMP_WORDS[COMP_CWORD-1]} command=
  COMPREPLY=()
  if [[ $COMP_CWORD -gt 1 && ${COMP_WORDS[1]} != -* ]]; then
    command=${COMP_WORDS[1]}
  fi
`

const completionTail = `  esac
  if [[ $COMP_CWORD -eq 1 && $current != -* ]]; then
    words=$commands
  fi
  COMPREPLY=($(compgen -W "$words" -- "$current"))
}
complete -F _stillwater stillwater
`

// page fills in the man page's template.
func (m manual) page(frame string) string {
	var commands strings.Builder
	for _, c := range m.commands {
		fmt.Fprintf(&commands, ".SS %s\n%s.\n", roff("stillwater "+c.name),
			roff(strings.ToUpper(c.summary[:1])+c.summary[1:]))
		if c.help != "" {
			fmt.Fprintf(&commands, ".PP\n.nf\n%s\n.fi\n", roff(c.help))
		}
		commands.WriteString(roffOptions(c.flags))
	}
	return strings.NewReplacer("@FLAGS@\n", roffOptions(m.flags), "@COMMANDS@\n", commands.String(),
		"@HOTSPOT@\n", roff(hotspotScript)).Replace(frame)
}

func roffOptions(list []option) string {
	var b strings.Builder
	for _, o := range list {
		fmt.Fprintf(&b, ".TP\n\\fB%s\\fR", roff("--"+o.name))
		if o.value != "" {
			fmt.Fprintf(&b, " \\fI%s\\fR", roff(o.value))
		}
		fmt.Fprintf(&b, "\n%s\n", roff(o.usage))
	}
	return b.String()
}

// roff escapes plain text for the typesetter.
func roff(text string) string {
	text = strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`, "`", `\(ga`, "^", `\(ha`, "~", `\(ti`).Replace(text)
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		if strings.HasPrefix(line, ".") {
			lines[i] = `\&` + line
		}
	}
	return strings.Join(lines, "\n")
}

// hotspotScript makes the machine's Wi-Fi an access point. It starts where no other known network is: those have a
// higher priority.
const hotspotScript = `sudo nmcli connection add type wifi con-name stillwater-hotspot ifname wlan0 ssid Stillwater \
  mode ap wifi.band bg wifi-sec.key-mgmt wpa-psk wifi-sec.proto rsn wifi-sec.pairwise ccmp \
  wifi-sec.psk 'a-password-of-your-own' ipv4.method shared ipv6.method link-local \
  connection.autoconnect yes connection.autoconnect-priority -10
sudo nmcli connection up stillwater-hotspot
`
