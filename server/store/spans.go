package store

import "slices"

// span is the numbers first to last, both included.
type span struct{ first, last int64 }

// spans is a set of numbers as spans in rising order that neither meet nor overlap.
type spans []span

// find returns the place of the first span that ends at or after n.
func (s spans) find(n int64) int {
	i, _ := slices.BinarySearchFunc(s, n, func(e span, n int64) int {
		if e.last < n {
			return -1
		}
		return 1
	})
	return i
}

func (s spans) has(n int64) bool {
	i := s.find(n)
	return i < len(s) && s[i].first <= n
}

// add puts the numbers of e into the set.
func (s *spans) add(e span) {
	i := s.find(e.first - 1) // a span that ends just before e joins it
	j := i
	for ; j < len(*s) && (*s)[j].first <= e.last+1; j++ {
		e.first = min(e.first, (*s)[j].first)
		e.last = max(e.last, (*s)[j].last)
	}
	*s = slices.Replace(*s, i, j, e)
}

// remove takes the numbers of e out of the set.
func (s *spans) remove(e span) {
	i := s.find(e.first)
	j := i
	var rest []span
	for ; j < len(*s) && (*s)[j].first <= e.last; j++ {
		if f := (*s)[j].first; f < e.first {
			rest = append(rest, span{f, e.first - 1})
		}
		if l := (*s)[j].last; l > e.last {
			rest = append(rest, span{e.last + 1, l})
		}
	}
	*s = slices.Replace(*s, i, j, rest...)
}

// missing lists the numbers of e that are not in the set.
func (s spans) missing(e span) []span {
	var out []span
	for i := s.find(e.first); e.first <= e.last; i++ {
		if i == len(s) || s[i].first > e.last {
			return append(out, e)
		}
		if s[i].first > e.first {
			out = append(out, span{e.first, s[i].first - 1})
		}
		e.first = s[i].last + 1
	}
	return out
}

func (s spans) count() (n int64) {
	for _, e := range s {
		n += e.last - e.first + 1
	}
	return n
}
