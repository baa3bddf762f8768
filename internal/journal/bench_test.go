package journal

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// many is how many shots the benchmarks' journal has, in one session.
const many = 100_000

// asBefore makes a journal of version 3, as the program before counts and checksums left it, with so many shots of a
// usual size in one session.
func asBefore(t testing.TB, path string, shots int) {
	t.Helper()
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o700))
	db := raw(t, path)
	steps, err := listMigrations(migrations)
	require.NoError(t, err)
	_, err = db.Exec("PRAGMA journal_mode = wal; PRAGMA synchronous = off; BEGIN; " + strings.Join(steps[:3], "\n") +
		fmt.Sprintf("; PRAGMA application_id = %d; PRAGMA user_version = 3;", applicationID))
	require.NoError(t, err)
	_, err = db.Exec(`INSERT INTO boots VALUES (1, 'boot', NULL, '');
		INSERT INTO sessions VALUES (1, 'long', 1, 'gpio', '{}', '[]', 1, 0);
		WITH RECURSIVE n (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM n WHERE n < ?1)
		INSERT INTO shots SELECT n, 1, n, n, 'done', 0, 7, n, n, 25000000, 130000000,
			'{"set": "' || hex (zeroblob (450)) || '"}', '{"program": "' || hex (zeroblob (750)) || '"}',
			'[{"name":"shutter","opening":false,"planned_ns":1000000,"on_ns":1012300,"off_ns":101012300},' ||
			'{"name":"flash","opening":false,"planned_ns":130000000,"on_ns":130000400,"off_ns":131000400}]',
			'', iif (n % 3, 'good', ''), iif (n % 5, '', 'wet floor'), 1, n * 1000000000 FROM n;
		COMMIT; PRAGMA wal_checkpoint (truncate)`, shots)
	require.NoError(t, err)
	require.NoError(t, db.Close())
}

// large is a journal of many shots, up to date and closed.
func large(b *testing.B) string {
	b.Helper()
	path := newPath(b)
	asBefore(b, path, many)
	j, err := Open(b.Context(), path)
	require.NoError(b, err)
	require.NoError(b, j.Verify(b.Context()))
	require.NoError(b, j.Close())
	b.ResetTimer()
	return path
}

// BenchmarkLarge is what a record of 100,000 shots takes: to bring it up to date, to take it up again, to list it, to
// read it all, to look it through for damage.
func BenchmarkLarge(b *testing.B) {
	b.Run("bring up to date", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			path := newPath(b)
			asBefore(b, path, many)
			b.StartTimer()
			j, err := Open(b.Context(), path)
			require.NoError(b, err)
			b.StopTimer()
			require.NoError(b, j.Close())
			b.StartTimer()
		}
	})
	path := large(b)
	b.Run("start", func(b *testing.B) {
		for b.Loop() {
			j, err := Open(b.Context(), path)
			require.NoError(b, err)
			s, _, err := j.LatestSession(b.Context())
			require.NoError(b, err)
			shots, err := j.Shots(b.Context(), s.ID, 20)
			require.NoError(b, err)
			require.Len(b, shots, 20)
			n, err := j.Count(b.Context(), s.ID)
			require.NoError(b, err)
			require.Equal(b, many, n)
			require.NoError(b, j.Close())
		}
	})
	b.Run("list", func(b *testing.B) {
		for b.Loop() {
			j, err := OpenReadOnly(b.Context(), path)
			require.NoError(b, err)
			all, err := j.Sessions(b.Context())
			require.NoError(b, err)
			require.Equal(b, many, all[0].Shots)
			require.NoError(b, j.Close())
		}
	})
	b.Run("look back", func(b *testing.B) {
		j, err := OpenReadOnly(b.Context(), path)
		require.NoError(b, err)
		defer j.Close()
		for name, look := range map[string]func(Reader) error{
			"50 of the middle": func(r Reader) error { _, err := r.ShotsBefore(b.Context(), 1, many/2, 50); return err },
			"newest 5000":      func(r Reader) error { _, err := r.ShotsBefore(b.Context(), 1, 0, 5000); return err },
			"remarks":          func(r Reader) error { return r.Remarked(b.Context(), func(record.Shot) {}) },
		} {
			b.Run(name, func(b *testing.B) {
				for b.Loop() {
					require.NoError(b, look(j.Reader()))
				}
			})
		}
	})
	b.Run("read all", func(b *testing.B) {
		j, err := OpenReadOnly(b.Context(), path)
		require.NoError(b, err)
		defer j.Close()
		for b.Loop() {
			n := 0
			for _, err := range j.AllShots(b.Context(), 0) {
				require.NoError(b, err)
				n++
			}
			require.Equal(b, many, n)
		}
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		b.ReportMetric(float64(m.HeapAlloc)/1e6, "MB-heap")
	})
	b.Run("verify", func(b *testing.B) {
		j, err := Open(b.Context(), path)
		require.NoError(b, err)
		defer j.Close()
		for b.Loop() {
			require.NoError(b, j.Verify(b.Context()))
		}
	})
}

// BenchmarkAddBesideReader is what a shot takes while somebody looks back without end.
func BenchmarkAddBesideReader(b *testing.B) {
	for _, beside := range []bool{false, true} {
		b.Run(fmt.Sprint("reader ", beside), func(b *testing.B) {
			path := newPath(b)
			asBefore(b, path, 20_000)
			j := open(b, path)
			ctx, stop := context.WithCancel(b.Context())
			var reading sync.WaitGroup
			if beside {
				reading.Go(func() {
					for ctx.Err() == nil {
						j.Reader().ShotsBefore(ctx, 1, 0, 5000)
					}
				})
			}
			b.ResetTimer()
			for b.Loop() {
				_, err := j.Add(ctx, record.Shot{Session: 1, At: time.Unix(1, 0)})
				require.NoError(b, err)
			}
			stop()
			reading.Wait()
		})
	}
}
