package config

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"stillwater/internal/textfile"
)

// ErrNotFound says that no configuration was found in any of the usual places.
var ErrNotFound = errors.New("no stillwater.toml")

// Places lists where a configuration is looked for, in order, when none is named: the working directory, the user's
// configuration folder, the machine's.
func Places() []string {
	places := []string{"stillwater.toml"}
	if dir, err := os.UserConfigDir(); err == nil {
		places = append(places, filepath.Join(dir, "stillwater", "stillwater.toml"))
	}
	return append(places, "/etc/stillwater/stillwater.toml")
}

// Find reads the named file, or, when path is empty, the first of Places that exists. Without any it returns Default
// and an error that is ErrNotFound.
func Find(path string) (Config, error) {
	if path != "" {
		return Load(path)
	}
	for _, place := range Places() {
		if _, err := os.Stat(place); err == nil {
			return Load(place)
		}
	}
	return Default(), fmt.Errorf("%w in %s", ErrNotFound, strings.Join(Places(), ", "))
}

// maxBytes is far more than any configuration: the longest example, with its comments, has 4 kB.
const maxBytes = 32 << 10

// Load reads and checks one file. The error joins one *Error for each thing found wrong, up to a readable number.
func Load(path string) (Config, error) {
	text, err := textfile.Read(path, maxBytes)
	if errors.Is(err, textfile.ErrTooLarge) {
		return Config{}, tooLarge(path)
	}
	if err != nil {
		return Config{}, &Error{Path: path, What: fmt.Sprintf("cannot be read: %v", cause(err)),
			Remedy: "make it a file that this user may read, or name another one with --config", Err: err}
	}
	return Parse(path, text)
}

func tooLarge(path string) *Error {
	return &Error{Path: path, What: fmt.Sprintf("it is larger than %d kB", maxBytes>>10),
		Remedy: "name a configuration; this is something else", Err: textfile.ErrTooLarge}
}

func cause(err error) error {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// Parse reads and checks a configuration's text; path is for the errors. The error joins one *Error for each thing
// found wrong, up to a readable number.
func Parse(path string, text []byte) (Config, error) {
	if len(text) > maxBytes {
		return Config{}, tooLarge(path)
	}
	sum := fmt.Sprintf("%x", sha256.Sum256(text))
	plain, err := textfile.Decode(text)
	if err != nil {
		return Config{}, encodingError(path, text, err)
	}
	var f file
	if err := toml.Unmarshal(plain, &f); err != nil {
		return Config{}, decodeError(path, plain, err)
	}
	c := checker{path: path, at: map[string]place{}}
	c.outline(plain)
	if len(c.errs) == 0 {
		config := c.config(f)
		if len(c.errs) == 0 {
			config.Path, config.Sum = path, sum
			return config, nil
		}
	}
	return Config{}, c.err()
}

// file is the text's shape. Pointers tell "not written" from "written as nothing".
type file struct {
	Name    *string     `toml:"name"`
	Listen  *string     `toml:"listen"`
	Journal *string     `toml:"journal"`
	Board   fileBoard   `toml:"board"`
	Control fileControl `toml:"control"`
	Camera  fileCamera  `toml:"camera"`

	Practice filePractice `toml:"practice"`
}

type fileBoard struct {
	Kind      *string      `toml:"kind"`
	Socket    *string      `toml:"socket"`
	Drive     *string      `toml:"drive"`
	Priority  *int64       `toml:"priority"`
	CPU       *int64       `toml:"cpu"`
	Heartbeat *fileLine    `toml:"heartbeat"`
	Port      *string      `toml:"port"`
	Baud      *int64       `toml:"baud"`
	Late      *string      `toml:"late"`
	HoldOff   *string      `toml:"hold_off"`
	Inputs    []fileInput  `toml:"input"`
	Outputs   []fileOutput `toml:"output"`
}

type fileControl struct {
	Grace  *string `toml:"grace"`
	ArmFor *string `toml:"arm_for"`
}

type fileCamera struct {
	Folder *string `toml:"folder"`
	Port   *string `toml:"port"`
}

type filePractice struct {
	Room *string `toml:"room"`
}

type fileLine struct {
	Chip *string `toml:"chip"`
	Line *int64  `toml:"line"`
	Pin  *string `toml:"pin"`
}

type fileInput struct {
	Name *string `toml:"name"`
	Role *string `toml:"role"`
	fileLine
	Active   *string `toml:"active"`
	Bias     *string `toml:"bias"`
	Debounce *string `toml:"debounce"`
	Delay    *string `toml:"delay"`
	Go       *string `toml:"go"`
}

type fileOutput struct {
	Name *string `toml:"name"`
	Kind *string `toml:"kind"`
	fileLine
	Safe      *string `toml:"safe"`
	LongestOn *string `toml:"longest_on"`
	Delay     *string `toml:"delay"`
}

// examples has a line for each key as it may be written, for the errors.
var examples = map[string]string{
	"listen":      `listen = ":8737"`,
	"journal":     `journal = "/var/lib/stillwater/journal.db"`,
	"board":       `[board]`,
	"control":     `[control]`,
	"camera":      `[camera]`,
	"folder":      `folder = "/var/lib/stillwater/camera"`,
	"practice":    `[practice]`,
	"room":        `room = "kitchen"`,
	"input":       `[[board.input]]`,
	"output":      `[[board.output]]`,
	"socket":      `socket = "/run/stillwater/board.sock"`,
	"drive":       `drive = "kernel"`,
	"priority":    `priority = 60`,
	"cpu":         `cpu = 3`,
	"heartbeat":   `[board.heartbeat]`,
	"port":        `port = "/dev/serial/by-id/..."`,
	"camera.port": `port = "auto"`,
	"baud":        `baud = 250000`,
	"late":        `late = "1 ms"`,
	"hold_off":    `hold_off = "5 ms"`,
	"grace":       `grace = "10 s"`,
	"arm_for":     `arm_for = "10 min"`,
	"name":        `name = "stillwater" for the page, or "flash" for an output`,
	"role":        `role = "beam"`,
	"kind":        `kind = "gpio" for the board, or "flash" for an output`,
	"chip":        `chip = "gpiochip0"`,
	"line":        `line = 17`,
	"pin":         `pin = "GPIO17"`,
	"active":      `active = "low"`,
	"bias":        `bias = "pull-up"`,
	"debounce":    `debounce = "5 ms"`,
	"safe":        `safe = "low"`,
	"longest_on":  `longest_on = "10 ms"`,
	"delay":       `delay = "50 us"`,
	"go":          `go = "two presses"`,
}

// exampleOf is a key's line; two tables may have keys of one name.
func exampleOf(key string) string {
	if line, own := examples[key]; own {
		return line
	}
	return examples[key[strings.LastIndex(key, ".")+1:]]
}
