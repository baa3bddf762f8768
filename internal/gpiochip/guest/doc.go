// Package guest holds the checks that need a real kernel's GPIO character device. TestOnARealKernel boots one in an
// emulated arm64 machine, with simulated GPIO chips (the kernel's gpio-sim) and nothing else but this project's own
// binaries, and runs the tests of the files tagged "guest" in it as root.
//
// The machine's clock counts emulated instructions and skips idle time, so a busy host slows the checks down and
// changes none of their results. No figure from there says anything about real hardware.
package guest
