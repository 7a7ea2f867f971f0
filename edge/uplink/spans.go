package uplink

// span is a run of record numbers, both ends included.
type span struct{ from, to uint64 }

// spans are the records still to be sent in this pass, in order of number and
// without overlap.
type spans []span

// add puts numbers behind those that are there; only rising numbers are added.
func (s *spans) add(from, to uint64) {
	if from > to {
		return
	}
	if n := len(*s); n > 0 && (*s)[n-1].to+1 >= from {
		(*s)[n-1].to = max((*s)[n-1].to, to)
		return
	}
	*s = append(*s, span{from, to})
}

// dropBelow forgets the numbers below first.
func (s *spans) dropBelow(first uint64) {
	for len(*s) > 0 && (*s)[0].to < first {
		*s = (*s)[1:]
	}
	if len(*s) > 0 {
		(*s)[0].from = max((*s)[0].from, first)
	}
}
