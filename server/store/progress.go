package store

// progress is what is known of the numbers of one spool's stream. Each number is
// stored, or lost (it will never come), or still open.
//
// acked rises over numbers that are stored or lost and stops at the first open one,
// so it never passes a hole. A number that was booked as lost and comes after all is
// stored and taken off the list: the outcome does not depend on the order of arrival.
type progress struct {
	id, node int64
	acked    int64
	oldest   int64 // oldest record the node still holds; 0: not told
	last     int64 // highest number seen or told
	had      int64 // the node was told once that everything up to here is stored; not kept
	above    spans // stored or lost, above acked
	gaps     spans // lost: the node said that they never became durable or were dropped
	dropped  spans // lost: below the oldest record that the node still holds
	restored spans // lost: stored once, missing in the backup that was restored, and no longer held
	aside    bool  // what a second board sent; see SetAside
	changed  bool  // not in the database yet
	relost   bool  // gaps, dropped or restored changed too
}

const (
	causeGap      = "gap"
	causeDropped  = "dropped"
	causeRestored = "restored from backup"
)

// losses are the lists of lost numbers with their causes.
func (p *progress) losses() map[string]*spans {
	return map[string]*spans{causeGap: &p.gaps, causeDropped: &p.dropped, causeRestored: &p.restored}
}

// stored tells whether a number is stored already.
func (p *progress) stored(seq int64) bool {
	return (seq <= p.acked || p.above.has(seq)) && !p.gaps.has(seq) && !p.dropped.has(seq) && !p.restored.has(seq)
}

// add notes a number as stored.
func (p *progress) add(seq int64) {
	for _, lost := range []*spans{&p.gaps, &p.dropped, &p.restored} {
		if lost.has(seq) {
			lost.remove(span{seq, seq})
			p.relost = true
		}
	}
	if seq > p.acked {
		p.above.add(span{seq, seq})
	}
	p.last = max(p.last, seq)
	p.advance()
}

// book notes those of the numbers that are not there as lost.
func (p *progress) book(e span, lost *spans) {
	if e.first = max(e.first, p.acked+1); e.first > e.last {
		return
	}
	for _, open := range p.above.missing(e) {
		lost.add(open)
		p.relost = true
	}
	p.above.add(e)
	p.last = max(p.last, e.last)
	p.advance()
}

// gap books numbers that the node says will never come.
func (p *progress) gap(e span) { p.book(e, &p.gaps) }

// tell notes what a node says of its spool; zero is not told. A node that was told
// of more than is stored here knew this store before an older copy of it was
// restored: the node let go of those numbers rightly, and their loss is the restore's.
func (p *progress) tell(oldest, last, acked int64) {
	p.had = max(p.had, acked)
	if oldest > p.oldest {
		p.oldest, p.changed = oldest, true
	}
	if last > p.last {
		p.last, p.changed = last, true
	}
	p.book(span{1, min(p.oldest-1, p.had)}, &p.restored)
	p.book(span{1, p.oldest - 1}, &p.dropped)
}

func (p *progress) lost() int64 { return p.gaps.count() + p.dropped.count() + p.restored.count() }

func (p *progress) public() Progress {
	return Progress{Acked: p.acked, Oldest: p.oldest, Last: p.last, Lost: p.lost(), LostByRestore: p.restored.count()}
}

func (p *progress) advance() {
	p.changed = true
	for len(p.above) > 0 && p.above[0].first <= p.acked+1 {
		p.acked = max(p.acked, p.above[0].last)
		p.above = p.above[1:]
	}
}
