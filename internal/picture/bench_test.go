//go:build unix

package picture

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// userTime is the processor time that this process has used outside of the kernel.
func userTime() time.Duration {
	var u unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano())
}

// sink keeps the loop below from being left out.
var sink float64

// referenceLoop is work of a fixed amount, much like a renderer's: square roots, and reads all over half a megabyte.
func referenceLoop() time.Duration {
	table := make([]float32, 1<<17)
	for i := range table {
		table[i] = float32(i%97) / 97
	}
	before, x := userTime(), 0.5
	for i := range 4_000_000 {
		x = math.Sqrt(x*x+float64(table[(i*7919+int(x*64))&(1<<17-1)])) * 0.6
	}
	sink = x
	return userTime() - before
}

// BenchmarkRender reports user time per picture on one thread, and beside it the same in units of referenceLoop, each
// round measured before and after: on a machine with other work the loop slows down alike.
func BenchmarkRender(b *testing.B) {
	for _, c := range []struct {
		name    string
		width   int
		quality Quality
	}{{"preview", 480, Preview}, {"1x", 480, Usual}, {"2x", 960, Usual}, {"4x", 1920, Usual}} {
		for _, name := range []string{"drop", "crater", "column", "sheet", "crown", "dome"} {
			b.Run(name+"/"+c.name, func(b *testing.B) {
				w := waters()[name]
				var times, units []float64
				for b.Loop() {
					loop := referenceLoop()
					before := userTime()
					_, err := Render(context.Background(), w, studioOf(w), Options{Width: c.width, Height: c.width * 2 / 3,
						Quality: c.quality})
					require.NoError(b, err)
					used := userTime() - before
					loop = (loop + referenceLoop()) / 2
					times, units = append(times, used.Seconds()*1e3), append(units, float64(used)/float64(loop))
				}
				slices.Sort(times)
				slices.Sort(units)
				b.ReportMetric(times[len(times)/2], "user-ms")
				b.ReportMetric(units[len(units)/2], "loops")
			})
		}
	}
}

// BenchmarkAgainstSlow reports how near a picture is to one with 24 rays in every pixel, as peak signal to noise.
func BenchmarkAgainstSlow(b *testing.B) {
	for _, name := range []string{"drop", "crater", "column", "sheet", "crown", "dome"} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				o := Options{Width: 480, Height: 320, Threads: 2}
				b.ReportMetric(againstSlow(b, waters()[name], studioOf(waters()[name]), o), "dB")
			}
		})
	}
}
