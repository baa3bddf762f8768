package gpiochip

// ledger finds lost edges by their sequence numbers. The kernel numbers the edges of a request and, apart, those of
// each line; when its queue is full it drops the oldest, so a gap shows in the numbers of what is left.
//
// A request's number is given in the interrupt, a line's in the thread that puts the edge into the queue. So a
// request's numbers also skip where two interrupts of one line came before its thread ran (a bounce faster than the
// kernel, which becomes one edge), and come in the wrong order where the threads of two lines overtook each other.
// Neither is a loss, and neither may be held against a third line: a kill input would stop the board for the bounce
// of a beam. They count only when the queue was full, and it was not when a read found fewer edges than it holds.
//
// A line that lost edges and has been silent since cannot tell how many. What the request's numbers say is missing and
// no line has owned up to is then counted against each silent line: at most so many. A trigger that pairs the edges of
// two lines has to know before it acts.
type ledger struct {
	lines   int
	last    uint32           // the highest of the request's numbers
	line    [MaxLines]uint32 // each line's last number
	owed    [MaxLines]uint32 // counted against a silent line, to be set off when it speaks
	missing uint32           // of the request's numbers, owned by no line yet
	spoke   uint8            // lines heard since the last gap
}

// add takes the numbers of one edge and notes in b what its line lost before it. local is the line's place in the
// request, pin its index in the batch; full says that the batch holds as many edges as the kernel's queue.
func (l *ledger) add(b *Batch, local int, pin uint8, seqno, lineSeqno uint32, full bool) {
	gap, lineGap := l.skipped(seqno, full), lineSeqno-l.line[local]-1
	l.line[local] = lineSeqno
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

// skipped is how many of the request's numbers may have been dropped before this one.
func (l *ledger) skipped(seqno uint32, full bool) uint32 {
	ahead := int32(seqno - l.last)
	if ahead > 0 {
		l.last = seqno
	}
	switch {
	case !full:
		return 0
	case ahead <= 0: // overtaken by another line's, it was counted as missing then
		l.missing -= min(l.missing, 1)
		return 0
	}
	return uint32(ahead) - 1
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
