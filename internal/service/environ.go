package service

import "os"

// Environ is this process's environment for a process that it starts: without what concerns this one only.
func Environ() []string {
	env := []string{}
	for _, variable := range os.Environ() {
		if !own(variable) {
			env = append(env, variable)
		}
	}
	return env
}
