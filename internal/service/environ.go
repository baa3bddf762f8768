package service

import "os"

// Environ is this process's environment for a child: without the variables that concern this process only.
func Environ() []string {
	env := []string{}
	for _, variable := range os.Environ() {
		if !isPrivate(variable) {
			env = append(env, variable)
		}
	}
	return env
}
