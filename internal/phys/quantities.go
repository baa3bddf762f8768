package phys

import "fmt"

func (q Length) String() string { return fmt.Sprint(float64(q)) }

// MarshalText writes q as String does.
func (q Length) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads q as ParseLength does.
func (q *Length) UnmarshalText(b []byte) (err error) {
	*q, err = ParseLength(string(b))
	return err
}

func (q Speed) String() string { return fmt.Sprint(float64(q)) }

// MarshalText writes q as String does.
func (q Speed) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads q as ParseSpeed does.
func (q *Speed) UnmarshalText(b []byte) (err error) {
	*q, err = ParseSpeed(string(b))
	return err
}

func (q Angle) String() string { return fmt.Sprint(float64(q)) }

// MarshalText writes q as String does.
func (q Angle) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads q as ParseAngle does.
func (q *Angle) UnmarshalText(b []byte) (err error) {
	*q, err = ParseAngle(string(b))
	return err
}

func (q Temperature) String() string { return fmt.Sprint(float64(q)) }

// MarshalText writes q as String does.
func (q Temperature) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads q as ParseTemperature does.
func (q *Temperature) UnmarshalText(b []byte) (err error) {
	*q, err = ParseTemperature(string(b))
	return err
}

func (q Time) String() string { return fmt.Sprint(float64(q)) }

// MarshalText writes q as String does.
func (q Time) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads q as ParseTime does.
func (q *Time) UnmarshalText(b []byte) (err error) {
	*q, err = ParseTime(string(b))
	return err
}

func (q Density) String() string { return fmt.Sprint(float64(q)) }

// MarshalText writes q as String does.
func (q Density) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads q as ParseDensity does.
func (q *Density) UnmarshalText(b []byte) (err error) {
	*q, err = ParseDensity(string(b))
	return err
}

func (q SurfaceTension) String() string { return fmt.Sprint(float64(q)) }

// MarshalText writes q as String does.
func (q SurfaceTension) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads q as ParseSurfaceTension does.
func (q *SurfaceTension) UnmarshalText(b []byte) (err error) {
	*q, err = ParseSurfaceTension(string(b))
	return err
}
