package gpiochip

// lossCounter finds lost edges by their sequence numbers. The kernel numbers the edges of a request and, apart, those
// of each line; when its queue is full it drops the oldest, so a gap shows in the numbers of what is left.
//
// A request's number is given in the interrupt, a line's in the thread that puts the edge into the queue. So a
// request's numbers also skip where two interrupts of one line came before its thread ran (a bounce faster than the
// kernel, which becomes one edge), and come in the wrong order where the threads of two lines overtook each other.
// Neither is a loss, and neither may be counted on a third line: a kill input would stop the board for the bounce of a
// beam. They count only when the queue was full, and it was not when a read returned fewer edges than it holds.
//
// The numbers of a line that lost edges and has been silent since cannot show how many. What is missing from the
// request's numbers and from no line's is then counted on each silent line, as an upper bound. A trigger that pairs the
// edges of two lines has to know before it acts.
type lossCounter struct {
	lines        int
	last         uint32           // the highest of the request's numbers
	line         [MaxLines]uint32 // each line's last number
	provisional  [MaxLines]uint32 // counted on a silent line, deducted once its own numbers show the loss
	unattributed uint32           // missing from the request's numbers and from no line's yet
	seen         uint8            // lines with an edge since the last gap
}

// add takes the numbers of one edge and counts in b what its line lost before it. local is the line's index in the
// request, pin that in the batch; full: the batch has as many edges as the kernel's queue holds.
func (l *lossCounter) add(b *Batch, local int, pin uint8, seqno, lineSeqno uint32, full bool) {
	gap, lineGap := l.gapBefore(seqno, full), lineSeqno-l.line[local]-1
	l.line[local] = lineSeqno
	l.unattributed += gap
	l.unattributed -= min(l.unattributed, lineGap)
	if lineGap > l.provisional[local] {
		b.Lost[pin] += lineGap - l.provisional[local]
	}
	l.provisional[local] = 0
	if gap > 0 {
		l.seen = 0
	}
	l.seen |= 1 << local
	b.Gap = b.Gap || gap > 0 || lineGap > 0
}

// gapBefore is how many of the request's edges may have been dropped before this one.
func (l *lossCounter) gapBefore(seqno uint32, full bool) uint32 {
	ahead := int32(seqno - l.last)
	if ahead > 0 {
		l.last = seqno
	}
	switch {
	case !full:
		return 0
	case ahead <= 0: // overtaken by another line's, it was counted as missing then
		l.unattributed -= min(l.unattributed, 1)
		return 0
	}
	return uint32(ahead) - 1
}

// settle ends a batch: what is still unattributed is counted on the lines without an edge since the gap. pin maps a
// line's index in the request to that in the batch.
func (l *lossCounter) settle(b *Batch, pin []uint8) {
	for local := range l.lines {
		if l.seen&(1<<local) == 0 && l.unattributed > l.provisional[local] {
			b.Lost[pin[local]] += l.unattributed - l.provisional[local]
			l.provisional[local] = l.unattributed
		}
	}
}
