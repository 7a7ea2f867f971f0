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
// What is sent between the second board's birth and the return of the first cannot be
// told apart by this.
type boards struct {
	seen    []sighting // in order of their first birth, the present one last
	refused []string
	last    time.Time // when the refused one was last heard of
}

type sighting struct {
	board string
	born  time.Time // its last birth
}

const (
	twinWithin = 10 * time.Minute // two that far apart may be a swap by hand; and so long a note stands
	boardsMost = 16
)

// admit takes a birth and reports whether its board may send.
func (b *boards) admit(board string, now time.Time) bool {
	if board == "" || board == " " {
		return true // it does not say which one it is
	}
	if slices.Contains(b.refused, board) {
		b.last = now
		return false
	}
	i := slices.IndexFunc(b.seen, func(s sighting) bool { return s.board == board })
	if i >= 0 {
		for _, other := range b.seen[i+1:] {
			if now.Sub(other.born) < twinWithin && now.Sub(b.seen[i].born) < twinWithin {
				b.refused, b.last = append(b.refused, other.board), now
			}
		}
		b.seen[i].born = now
		b.seen = b.seen[:i+1]
	} else {
		b.seen = append(b.seen, sighting{board, now})
	}
	b.seen = b.seen[max(len(b.seen)-boardsMost, 0):]
	b.refused = b.refused[max(len(b.refused)-boardsMost, 0):]
	return true
}

// heard notes a message of the refused board.
func (b *boards) heard(now time.Time) { b.last = now }

// twin reports whether a second board was heard of lately.
func (b *boards) twin(now time.Time) bool { return !b.last.IsZero() && now.Sub(b.last) < twinWithin }
