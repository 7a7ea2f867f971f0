package ingest

import (
	"slices"
	"time"
)

// boards tells a second board with a node's name (a copied card, a name given twice)
// from one that was started anew. A board is known by the boot and the spool that its
// births name. A boot id never comes back after another one, so a board that returns
// after another had its birth shows that there are two; the one that was there first
// stays, and the other is refused until it names another boot or spool.
//
// What the second board sent before the first one returned is set aside in the store.
type boards struct {
	seen    []sighting // in order of their first birth, the present one last
	refused []board
	last    time.Time // when the refused one was last heard of
}

type board struct{ boot, stream string }

type sighting struct {
	board
	born time.Time // its last birth
}

const (
	twinWithin = 10 * time.Minute // two that far apart may be a swap by hand; and so long a note stands
	boardsMost = 16
)

// admit takes a birth and reports whether its board may send, and which boards the
// birth shows to be second ones.
func (b *boards) admit(x board, now time.Time) (may bool, second []board) {
	if x == (board{}) {
		return true, nil // it does not say which one it is
	}
	if slices.Contains(b.refused, x) {
		b.last = now
		return false, nil
	}
	i := slices.IndexFunc(b.seen, func(s sighting) bool { return s.board == x })
	if i >= 0 {
		for _, other := range b.seen[i+1:] {
			if now.Sub(other.born) < twinWithin && now.Sub(b.seen[i].born) < twinWithin {
				second, b.last = append(second, other.board), now
			}
		}
		b.seen[i].born = now
		b.seen = b.seen[:i+1]
	} else {
		b.seen = append(b.seen, sighting{x, now})
	}
	b.refused = append(b.refused, second...)
	b.seen = b.seen[max(len(b.seen)-boardsMost, 0):]
	b.refused = b.refused[max(len(b.refused)-boardsMost, 0):]
	return true, second
}

// heard notes a message of the refused board.
func (b *boards) heard(now time.Time) { b.last = now }

// twin reports whether a second board was heard of lately.
func (b *boards) twin(now time.Time) bool { return !b.last.IsZero() && now.Sub(b.last) < twinWithin }
