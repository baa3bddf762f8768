package journal

import (
	"context"
	"crypto/sha256"
	"fmt"
	"time"

	"stillwater/internal/record"
)

// Phones lists the paired phones in the order in which they were paired.
func (j *Journal) Phones(ctx context.Context) ([]record.Phone, error) {
	defer j.acquire()()
	all := []record.Phone{}
	err := forEachRow(ctx, j.db, func(row scanner) error {
		p, err := scanPhone(row)
		all = append(all, p)
		return err
	}, "SELECT token_hash, name, paired_ns FROM phones ORDER BY paired_ns, rowid")
	if err != nil {
		return nil, j.explain("list phones", err)
	}
	return all, nil
}

func scanPhone(row scanner) (record.Phone, error) {
	var p record.Phone
	var hash []byte
	var paired int64
	if err := row.Scan(&hash, &p.Name, &paired); err != nil {
		return p, err
	}
	if len(hash) != len(p.Hash) {
		return p, fmt.Errorf("the hash of %s has %d bytes, not %d", p.Name, len(hash), len(p.Hash))
	}
	copy(p.Hash[:], hash)
	p.Paired = time.Unix(0, paired)
	return p, nil
}

// AddPhone stores a phone that was paired.
func (j *Journal) AddPhone(ctx context.Context, p record.Phone) error {
	release, err := j.acquireForWrite(ctx)
	if err != nil {
		return err
	}
	defer release()
	_, err = j.db.ExecContext(ctx, "INSERT INTO phones (token_hash, name, paired_ns) VALUES (?, ?, ?)",
		p.Hash[:], p.Name, p.Paired.UnixNano())
	if err != nil {
		return j.explain("save a phone", err)
	}
	return nil
}

// ForgetPhone ends the pairing of the phone whose token has this hash; one that is not known is no error.
func (j *Journal) ForgetPhone(ctx context.Context, hash [sha256.Size]byte) error {
	release, err := j.acquireForWrite(ctx)
	if err != nil {
		return err
	}
	defer release()
	if _, err := j.db.ExecContext(ctx, "DELETE FROM phones WHERE token_hash = ?", hash[:]); err != nil {
		return j.explain("forget a phone", err)
	}
	return nil
}

// ForgetPhones ends the pairing of all phones.
func (j *Journal) ForgetPhones(ctx context.Context) error {
	release, err := j.acquireForWrite(ctx)
	if err != nil {
		return err
	}
	defer release()
	if _, err := j.db.ExecContext(ctx, "DELETE FROM phones"); err != nil {
		return j.explain("forget phones", err)
	}
	return nil
}
