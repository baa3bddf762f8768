package journal

import (
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"strings"
	"time"

	"stillwater/internal/record"
)

// shotRow is a shot as its row has it.
type shotRow struct {
	shot record.Shot // without what the others hold
	at   storedWhen
	cues string
	crc  sql.NullInt64
}

const shotColumns = `id, session, number, at_ns, status, simulated, boot_id, gate_ns, clock_ns, interval_ns, delay_ns,
	set_json, program_json, cues_json, seen, verdict, note, star, picture, past_um, past_sd_um, boot, since_boot_ns, crc`

// shotColumns are the columns of a shot, as the journal that is open has them.
func (j *Journal) shotColumns() string {
	columns := shotColumns
	if j.beforeRemarks {
		columns = strings.Replace(columns, "star, picture", "0, ''", 1)
	}
	if j.beforeMeasured {
		columns = strings.Replace(columns, "past_um, past_sd_um", "0, 0", 1)
	}
	return columns
}

func scanShot(row scanner) (shotRow, error) {
	var r shotRow
	s := &r.shot
	err := row.Scan(&s.ID, &s.Session, &s.Number, &r.at.wall, &s.Status, &s.Simulated, &s.BootID, &s.GateNs, &s.ClockNs,
		&s.IntervalNs, &s.DelayNs, &s.Set, &s.Program, &r.cues, &s.Seen, &s.Verdict, &s.Note, &s.Star, &s.Picture,
		&s.PastUm, &s.PastSDUm, &r.at.boot, &r.at.since, &r.crc)
	return r, err
}

// checksum is the checksum of the row, over every other column. A later column counts only if it says something.
func (r *shotRow) checksum() int64 {
	s, h := &r.shot, crc32.New(crc32.MakeTable(crc32.Castagnoli))
	simulated := int64(0)
	if s.Simulated {
		simulated = 1
	}
	for _, n := range []int64{s.ID, s.Session, int64(s.Number), r.at.wall, simulated, int64(s.BootID), s.GateNs, s.ClockNs,
		s.IntervalNs, s.DelayNs} {
		sumInt(h, n)
	}
	for _, text := range []string{s.Status, s.Set, s.Program, r.cues, s.Seen, string(s.Verdict), s.Note} {
		sumInt(h, int64(len(text)))
		io.WriteString(h, text) // a hash takes everything
	}
	for _, n := range []sql.NullInt64{r.at.boot, r.at.since} {
		if n.Valid {
			sumInt(h, n.Int64)
		}
		fmt.Fprint(h, n.Valid)
	}
	if s.Star || s.Picture != "" {
		fmt.Fprint(h, s.Star, s.Picture)
	}
	if s.PastUm != 0 || s.PastSDUm != 0 {
		sumInt(h, s.PastUm)
		sumInt(h, s.PastSDUm)
	}
	return int64(h.Sum32())
}

func sumInt(h hash.Hash, n int64) {
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], uint64(n))
	h.Write(b[:])
}

// checksumMatches reports whether the row is as it was written. An old row has no checksum and matches.
func (r *shotRow) checksumMatches() bool { return !r.crc.Valid || r.crc.Int64 == r.checksum() }

// toShot is the shot, with what is wrong with it.
func (r *shotRow) toShot(index *shotIndex) record.Shot {
	s := r.shot
	var wrong []string
	s.File = index.files.of(s.Session, s.Number)
	frame := index.framed[place{s.Session, s.Number}]
	s.Frame, s.Framed = frame.name, frame.pictured
	if index.filesLost {
		wrong = append(wrong, fileUncertain)
	}
	if !r.checksumMatches() {
		wrong = append(wrong, "its checksum does not match, some of it may be wrong")
	}
	var lost int
	if s.Cues, lost = readCues(r.cues); lost > 0 {
		wrong = append(wrong, fmt.Sprintf("%d of its cues cannot be read", lost))
	} else if lost < 0 {
		wrong = append(wrong, "its cues cannot be read")
	}
	var known bool
	if s.At, s.When, known = r.at.date(index.boots); !known {
		wrong = append(wrong, "the date of its boot cannot be read")
	}
	if lost != 0 {
		s.CuesText = r.cues
	}
	s.Damaged = strings.Join(wrong, "; ")
	return s
}

// readCues reads the cues that can be read. lost counts the others; -1: it is not a list.
func readCues(text string) (cues []record.Cue, lost int) {
	if json.Unmarshal([]byte(text), &cues) == nil && cues != nil && !strings.Contains(text, "null") {
		return cues, 0
	}
	var list []json.RawMessage
	cues = []record.Cue{}
	if json.Unmarshal([]byte(text), &list) != nil || list == nil {
		return cues, -1
	}
	for _, one := range list {
		var cue *record.Cue
		if json.Unmarshal(one, &cue) != nil || cue == nil {
			lost++
			continue
		}
		cues = append(cues, *cue)
	}
	return cues, lost
}

// boot is one boot of the machine.
type boot struct {
	name    string
	origin  sql.NullInt64
	datedBy string
}

// storedWhen is an instant as its row has it.
type storedWhen struct {
	wall        int64
	boot, since sql.NullInt64
}

// date works out the best date there is; known is false when the boot is not among those given.
func (k *storedWhen) date(boots map[int64]boot) (at time.Time, w record.When, known bool) {
	w = record.When{SinceBoot: time.Duration(k.since.Int64), Number: k.boot.Int64, Wall: time.Unix(0, k.wall)}
	if !k.boot.Valid {
		return w.Wall, w, true
	}
	b, known := boots[k.boot.Int64]
	w.Boot = b.name
	if !b.origin.Valid {
		w.Dated = record.Undated
		return w.Wall, w, known
	}
	at = time.Unix(0, b.origin.Int64).Add(w.SinceBoot)
	if at.Sub(w.Wall).Abs() >= clockRightWithin {
		w.Dated = record.Dating(b.datedBy)
	}
	return at, w, known
}
