package export

import (
	"context"
	"fmt"
	"io"
	"iter"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// endless is a record of so many shots that are made as they are read. It watches how much memory is in use meanwhile.
type endless struct {
	shots, read int
	most        uint64
}

func (e *endless) session() record.Summary {
	s := record.Session{ID: 1, Name: "crowns", Started: time.Unix(1, 0), Set: "{}"}
	return record.Summary{Session: s, Shots: e.shots}
}

func (e *endless) Sessions(context.Context) ([]record.Summary, error) {
	return []record.Summary{e.session()}, nil
}

func (e *endless) AllShots(context.Context, int64) iter.Seq2[record.Shot, error] {
	return func(yield func(record.Shot, error) bool) {
		for i := range e.shots {
			e.watch()
			s := record.Shot{ID: int64(i + 1), Session: 1, Number: i + 1, At: time.Unix(int64(i), 0), Status: record.StatusDone,
				Set: fmt.Sprintf(`{"set": %d, "words": %q}`, i, strings.Repeat("s", 900)), Program: `"` +
					strings.Repeat("p", 1500) + `"`, Cues: []record.Cue{{Name: "shutter"}, {Name: "flash", PlannedNs: int64(i)}}}
			if !yield(s, nil) {
				return
			}
		}
	}
}

func (e *endless) watch() {
	if e.read++; e.read%(e.shots/4) != 0 {
		return
	}
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	e.most = max(e.most, m.HeapAlloc)
}

// What writes the record takes as much memory for many shots as for few.
func TestExportTakesLittleMemory(t *testing.T) {
	for name, write := range map[string]func(context.Context, *endless) (Result, error){
		"csv":  func(ctx context.Context, e *endless) (Result, error) { return CSV(ctx, io.Discard, e, Options{}) },
		"json": func(ctx context.Context, e *endless) (Result, error) { return JSON(ctx, io.Discard, e, Options{}) },
		"show": func(ctx context.Context, e *endless) (Result, error) {
			return ShotTable(ctx, io.Discard, e, e.session())
		},
		"show --json": func(ctx context.Context, e *endless) (Result, error) {
			return SessionJSON(ctx, io.Discard, e, e.session())
		},
	} {
		t.Run(name, func(t *testing.T) {
			for _, shots := range []int{100, 3000} { // 3000: 7 MB of sets and programs
				var m runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&m)
				e := &endless{shots: shots}
				result, err := write(t.Context(), e)
				require.NoError(t, err)
				require.Equal(t, shots, result.Shots)
				require.NotZero(t, e.most)
				grown := int64(e.most) - int64(m.HeapAlloc)
				t.Logf("%d shots: %d kB more", shots, grown>>10)
				assert.Less(t, grown, int64(2<<20))
			}
		})
	}
}
