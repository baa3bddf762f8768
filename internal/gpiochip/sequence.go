package gpiochip

// ledger finds lost edges by their sequence numbers. The kernel numbers the edges of a request and, apart, those of
// each line; when its queue is full it drops the oldest, so a gap shows in the numbers of what is left.
//
// A line that lost edges and has been silent since cannot tell how many. What the request's numbers say is missing and
// no line has owned up to is then counted against each silent line: at most so many. A trigger that pairs the edges of
// two lines has to know before it acts.
type ledger struct {
	lines   int
	last    uint32           // the request's last number
	line    [MaxLines]uint32 // each line's last number
	owed    [MaxLines]uint32 // counted against a silent line, to be set off when it speaks
	missing uint32           // of the request's numbers, owned by no line yet
	spoke   uint8            // lines heard since the last gap
}

// add takes the numbers of one edge and notes in b what its line lost before it. local is the line's place in the
// request, pin its index in the batch.
func (l *ledger) add(b *Batch, local int, pin uint8, seqno, lineSeqno uint32) {
	gap, lineGap := seqno-l.last-1, lineSeqno-l.line[local]-1
	l.last, l.line[local] = seqno, lineSeqno
	l.missing += gap
	l.missing -= min(l.missing, lineGap)
	if lineGap > l.owed[local] {
		b.Lost[pin] += lineGap - l.owed[local]
	}
	l.owed[local] = 0
	if gap > 0 {
		l.spoke = 0
	}
	l.spoke |= 1 << local
	b.Gap = b.Gap || gap > 0 || lineGap > 0
}

// settle ends a batch: what is still missing is counted against the lines not heard since. pin maps a line's place in
// the request to its index in the batch.
func (l *ledger) settle(b *Batch, pin []uint8) {
	for local := range l.lines {
		if l.spoke&(1<<local) == 0 && l.missing > l.owed[local] {
			b.Lost[pin[local]] += l.missing - l.owed[local]
			l.owed[local] = l.missing
		}
	}
}
