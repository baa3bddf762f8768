package journal

import (
	"context"
	"embed"
	"fmt"
	"io/fs"
)

//go:embed migrations/*.sql
var embedded embed.FS

// migrations holds 0001_name.sql, 0002_name.sql and so on.
var migrations fs.FS = embedded

// applicationID marks a database as ours: "STLW".
const applicationID = 0x53544c57

// listMigrations returns the text of each migration in order; the n-th leads to version n.
func listMigrations(from fs.FS) ([]string, error) {
	names, err := fs.Glob(from, "migrations/*.sql") // sorted by name
	if err != nil {
		return nil, fmt.Errorf("journal: list migrations: %w", err)
	}
	steps := make([]string, 0, len(names))
	for i, name := range names {
		var number int
		if _, err := fmt.Sscanf(name, "migrations/%04d_", &number); err != nil || number != i+1 {
			return nil, fmt.Errorf("journal: migration %s: expected number %04d", name, i+1)
		}
		text, err := fs.ReadFile(from, name)
		if err != nil {
			return nil, fmt.Errorf("journal: read migration %s: %w", name, err)
		}
		steps = append(steps, string(text))
	}
	return steps, nil
}

// version says which version the database has, 0 when it is empty, and refuses one that is not ours or too new.
func (j *Journal) version(ctx context.Context) (int, error) {
	var id, version, tables int
	err := j.db.QueryRowContext(ctx, `SELECT
		(SELECT application_id FROM pragma_application_id),
		(SELECT user_version FROM pragma_user_version),
		(SELECT count(*) FROM sqlite_schema)`).Scan(&id, &version, &tables)
	if err != nil {
		return 0, j.explain("open", err)
	}
	steps, err := listMigrations(migrations)
	if err != nil {
		return 0, err
	}
	empty := id == 0 && version == 0 && tables == 0
	switch {
	case !empty && id != applicationID:
		return 0, fmt.Errorf("journal %s: %w: it is another program's database; name another file", j.path, ErrForeign)
	case version > len(steps):
		return 0, fmt.Errorf("journal %s: %w: it has version %d, this program knows %d; use the newer program, "+
			"or name another file", j.path, ErrNewer, version, len(steps))
	}
	return version, nil
}

// migrate brings the database up to date, each step in a transaction of its own: either all of it is there, with its
// version number, or nothing. An up-to-date database gets its version written again, to find out now rather than at the
// first shot that it cannot be written.
func (j *Journal) migrate(ctx context.Context, from fs.FS) error {
	steps, err := listMigrations(from)
	if err != nil {
		return err
	}
	if version, err := j.version(ctx); err != nil {
		return err
	} else if version == 0 { // a new journal has nothing to wait for
		j.onMigration = func(int, int) {}
	}
	for {
		done, err := j.applyNext(ctx, steps)
		if err != nil || done {
			return err
		}
	}
}

// applyNext applies the next migration, if any. It reads the version inside the transaction.
func (j *Journal) applyNext(ctx context.Context, steps []string) (done bool, err error) {
	tx, err := j.db.BeginTx(ctx, nil)
	if err != nil {
		return false, j.explain("open", err)
	}
	defer tx.Rollback() // without effect after Commit
	var version int
	if err := tx.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return false, j.explain("open", err)
	}
	done = version >= len(steps)
	if !done {
		j.onMigration(version+1, len(steps))
		if _, err := tx.ExecContext(ctx, steps[version]); err != nil {
			return false, j.explain(fmt.Sprintf("bring up to version %d", version+1), err)
		}
		version++
	}
	mark := fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, version)
	if _, err := tx.ExecContext(ctx, mark); err != nil {
		return false, j.explain("open", err)
	}
	if err := tx.Commit(); err != nil {
		return false, j.explain("open", err)
	}
	return done, nil
}
