//go:build !linux

package gpiochip

// Inputs are input lines being watched; here there are none.
type Inputs struct{}

// Outputs are output lines being driven; here there are none.
type Outputs struct{}

// Chips fails.
func Chips() ([]Chip, error) { return nil, ErrUnsupported }

// Lines fails.
func Lines(Chip) ([]LineInfo, error) { return nil, ErrUnsupported }

// OpenInputs fails.
func OpenInputs(string, []InputRequest) (*Inputs, error) { return nil, ErrUnsupported }

// Undebounced is empty.
func (*Inputs) Undebounced() []int { return nil }

// Len is 0.
func (*Inputs) Len() int { return 0 }

// Fd is no descriptor.
func (*Inputs) Fd(int) int { return -1 }

// Read fails.
func (*Inputs) Read(int, *Batch) error { return ErrUnsupported }

// Levels fails.
func (*Inputs) Levels() (uint8, error) { return 0, ErrUnsupported }

// Close does nothing.
func (*Inputs) Close() error { return nil }

// OpenOutputs fails.
func OpenOutputs(string, []OutputRequest) (*Outputs, error) { return nil, ErrUnsupported }

// Map fails.
func (*Outputs) Map(Host) error { return ErrUnsupported }

// Drive is empty.
func (*Outputs) Drive() string { return "none" }

// Levels fails.
func (*Outputs) Levels() (uint8, error) { return 0, ErrUnsupported }

// Set fails.
func (*Outputs) Set(uint8, uint8) error { return ErrUnsupported }

// Close does nothing.
func (*Outputs) Close() error { return nil }

func checkMapping(string, int64) error { return ErrUnsupported }
