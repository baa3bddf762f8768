package intake

import (
	"fmt"
	"slices"
	"strings"
)

// cameraProblem shows what is wrong with the connected camera; "" nothing is.
func (i *Intake) cameraProblem(words string) {
	if words != "" {
		words = fmt.Sprintf("The connected camera cannot be read: %s.", inOneLine(words))
	}
	i.showProblem(&i.problems.camera, words)
}

// folderProblem is cameraProblem for the watched folder.
func (i *Intake) folderProblem(words string) {
	if words != "" {
		words = fmt.Sprintf("The folder for the camera's files cannot be read: %s.", inOneLine(words))
	}
	i.showProblem(&i.problems.folder, words)
}

// filesProblem is cameraProblem for files in the watched folder that are not kept, a line each.
func (i *Intake) filesProblem(words string) {
	if words != "" {
		words = fmt.Sprintf("Not taken from the folder for the camera's files: %s.", inOneLine(words))
	}
	i.showProblem(&i.problems.files, words)
}

// inOneLine puts a problem of several files, a line each, into one sentence without its full stop: the first ones, and
// how many more there are.
func inOneLine(words string) string {
	const most, maxProblemRunes = 2, 300
	lines := strings.Split(strings.TrimSpace(words), "\n")
	for n, line := range lines {
		lines[n] = strings.TrimSuffix(line, ".")
	}
	more := len(lines) - most
	text := strings.Join(lines[:min(len(lines), most)], "; ")
	if runes := []rune(text); len(runes) > maxProblemRunes {
		text = string(runes[:maxProblemRunes]) + " and so on"
	}
	if more > 0 {
		text += fmt.Sprintf("; and %d more, see the machine's log", more)
	}
	return text
}

func (i *Intake) showProblem(place *string, words string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	*place = words
	if i.display == nil {
		return // Start shows it
	}
	session := i.display.SessionID()
	if e := i.evenings[session]; e != nil {
		i.show(e, nil)
		return
	}
	i.show(&evening{session: session}, nil)
}

// problemWords are what is wrong with where files come from; "" nothing is. The mutex is held.
func (i *Intake) problemWords() string {
	all := []string{i.problems.camera, i.problems.folder, i.problems.files}
	return strings.Join(slices.DeleteFunc(all, func(words string) bool { return words == "" }), " ")
}
