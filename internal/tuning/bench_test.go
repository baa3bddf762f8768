package tuning

import (
	"testing"

	"stillwater/internal/record"
)

// An evening of 100 tries: what a phone waits for after a verdict.
func BenchmarkLearn(b *testing.B) {
	var tries []Try
	for i := range 100 {
		tries = append(tries, Try{At: fromMs(float64(i%9 - 4)), Verdict: []record.Verdict{early, good, good, late}[i%4]})
	}
	for b.Loop() {
		Learn(usual(), tries, 0)
	}
}
