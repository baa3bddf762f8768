package optics

import (
	"math"

	"stillwater/internal/phys"
)

// fNumberMarks are the third stops from f/1 to f/64 as engraved (ISO 517; camera practice for the thirds).
var fNumberMarks = [...]FNumber{1, 1.1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9,
	10, 11, 13, 14, 16, 18, 20, 22, 25, 29, 32, 36, 40, 45, 51, 57, 64}

// fasterMarks are the denominators of the third stops of shutter times shorter than 0.3 s (ISO 516; camera practice for
// the thirds), slowerMarks the others in seconds.
var (
	fasterMarks = [...]float64{4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 160, 200, 250, 320, 400,
		500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000}
	slowerMarks = [...]Shutter{0.3, 0.4, 0.5, 0.6, 0.8, 1, 1.3, 1.6, 2, 2.5, 3.2, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30}
)

// FNumberMarks lists the f-numbers of the third-stop series, widest first.
func FNumberMarks() []FNumber { return fNumberMarks[:] }

// ShutterMarks lists the shutter times of the third-stop series, longest first.
func ShutterMarks() []Shutter {
	var marks []Shutter
	for i := range slowerMarks {
		marks = append(marks, slowerMarks[len(slowerMarks)-1-i])
	}
	for _, d := range fasterMarks {
		marks = append(marks, Shutter(1/d))
	}
	return marks
}

// isoThirds are the third stops of a decade of speeds.
var isoThirds = [...]ISO{100, 125, 160, 200, 250, 320, 400, 500, 640, 800}

// ISOMarks lists the speeds of the third-stop series, 50 to 25600.
func ISOMarks() []ISO {
	marks := []ISO{50, 64, 80}
	marks = append(marks, isoThirds[:]...)
	return append(marks, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000, 12800, 16000, 20000, 25600)
}

// PowerMarks lists the power steps of flash units in whole stops, full power first, down to 1/256.
func PowerMarks() []Fraction {
	var marks []Fraction
	for power := Fraction(1); power >= 1./256; power /= 2 {
		marks = append(marks, power)
	}
	return marks
}

// ExactFNumber is the f-number that a mark stands for: a whole number of thirds of a stop. Other values stand for
// themselves.
func ExactFNumber(n FNumber) FNumber {
	for third, mark := range fNumberMarks {
		if n == mark {
			return FNumber(math.Pow(2, float64(third)/6))
		}
	}
	return n
}

// ExactShutter is the time that a mark stands for: a whole number of thirds of a stop. Other values stand for
// themselves.
func ExactShutter(t Shutter) Shutter {
	for i, mark := range ShutterMarks() {
		if t == mark {
			return Shutter(math.Pow(2, 5-float64(i)/3))
		}
	}
	return t
}

// NearestFNumber is the mark nearest in stops.
func NearestFNumber(n FNumber) FNumber { return nearest(n, fNumberMarks[:]) }

// NearestISO is the mark nearest in stops.
func NearestISO(i ISO) ISO { return nearest(i, ISOMarks()) }

// NearestShutter is the mark nearest in stops.
func NearestShutter(t Shutter) Shutter { return nearest(t, ShutterMarks()) }

// Floor is the longest marked shutter time that is not longer than t; beyond the ends of the series, two digits of t.
func Floor(t phys.Time) phys.Time {
	marks := ShutterMarks()
	if t > phys.Time(marks[0]) || t < phys.Time(marks[len(marks)-1]) {
		return phys.RoundDown(t, 2)
	}
	for _, m := range marks {
		if phys.Time(ExactShutter(m)) <= t*(1+1e-9) {
			return phys.Time(m)
		}
	}
	return phys.RoundDown(t, 2)
}

// Ceil is the shortest marked shutter time that is not shorter than t; beyond the ends of the series, two digits of t.
func Ceil(t phys.Time) phys.Time {
	marks := ShutterMarks()
	for i := len(marks) - 1; i >= 0; i-- {
		if phys.Time(ExactShutter(marks[i])) >= t*(1-1e-9) {
			return phys.Time(marks[i])
		}
	}
	return phys.RoundUp(t, 2)
}

func nearest[T ~float64](x T, marks []T) T {
	best := marks[0]
	for _, m := range marks {
		if math.Abs(math.Log(float64(m/x))) < math.Abs(math.Log(float64(best/x))) {
			best = m
		}
	}
	return best
}
