package commandline

import "strings"

// Quote writes a command as it is typed in a shell.
func Quote(words []string) string {
	quoted := make([]string, len(words))
	for i, w := range words {
		quoted[i] = w
		if w == "" || strings.ContainsAny(w, " \t\"'\\$&;()<>|*?`#~") {
			quoted[i] = "'" + strings.ReplaceAll(w, "'", `'\''`) + "'"
		}
	}
	return strings.Join(quoted, " ")
}
