package intake

import (
	"fmt"
	"strings"
)

// cameraProblem shows what is wrong with the connected camera; "" nothing is.
func (i *Intake) cameraProblem(words string) {
	if words != "" {
		words = fmt.Sprintf("The connected camera's files do not come: %s.", strings.TrimSuffix(words, "."))
	}
	i.showProblem(&i.problems.camera, words)
}

// folderProblem is cameraProblem for the watched folder.
func (i *Intake) folderProblem(words string) {
	if words != "" {
		words = fmt.Sprintf("The folder for the camera's files cannot be looked into: %s.", strings.TrimSuffix(words, "."))
	}
	i.showProblem(&i.problems.folder, words)
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
	return strings.TrimSpace(i.problems.camera + " " + i.problems.folder)
}
