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
	above    spans // stored or lost, above acked
	gaps     spans // lost: the node said that they never became durable or were dropped
	dropped  spans // lost: below the oldest record that the node still holds
	changed  bool  // not in the database yet
	relost   bool  // gaps or dropped changed too
}

const (
	causeGap     = "gap"
	causeDropped = "dropped"
)

// stored tells whether a number is stored already.
func (p *progress) stored(seq int64) bool {
	return (seq <= p.acked || p.above.has(seq)) && !p.gaps.has(seq) && !p.dropped.has(seq)
}

// add notes a number as stored.
func (p *progress) add(seq int64) {
	for _, lost := range []*spans{&p.gaps, &p.dropped} {
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

// tell notes what a node says of its spool; zero is not told.
func (p *progress) tell(oldest, last int64) {
	if oldest > p.oldest {
		p.oldest, p.changed = oldest, true
	}
	if last > p.last {
		p.last, p.changed = last, true
	}
	p.book(span{1, p.oldest - 1}, &p.dropped)
}

func (p *progress) lost() int64 { return p.gaps.count() + p.dropped.count() }

func (p *progress) advance() {
	p.changed = true
	for len(p.above) > 0 && p.above[0].first <= p.acked+1 {
		p.acked = max(p.acked, p.above[0].last)
		p.above = p.above[1:]
	}
}
