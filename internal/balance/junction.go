package balance

import (
	"fmt"
	"slices"
	"strings"
)

// Junction is a place where what goes in comes out: masses and metal of In add up to
// those of Out.
type Junction struct{ In, Out []string }

func (j Junction) String() string {
	return strings.Join(j.In, " + ") + " = " + strings.Join(j.Out, " + ")
}

// DefaultJunction is a table: feed into two concentrates, middlings and tailings.
func DefaultJunction() Junction {
	return Junction{In: []string{"feed"}, Out: []string{"concentrate_1", "concentrate_2", "middlings", "tailings"}}
}

// ParseJunction reads 'feed = concentrate_1 + tailings'. Both sides may have several
// streams. place stands in messages before :line:column, like a file's name; line is
// the junction's number.
func ParseJunction(place string, line int, text string) (Junction, error) {
	fail := func(at int, format string, args ...any) (Junction, error) {
		return Junction{}, fmt.Errorf("%s:%d:%d: %s: write it like 'feed = concentrate_1 + tailings'", place, line, at+1, fmt.Sprintf(format, args...))
	}
	equals := strings.IndexByte(text, '=')
	if equals < 0 {
		return fail(0, "the junction %q has no =", text)
	}
	if k := strings.IndexByte(text[equals+1:], '='); k >= 0 {
		return fail(equals+1+k, "the junction has a second =")
	}
	var j Junction
	seen := map[string]bool{}
	at := 0
	for side, part := range []string{text[:equals], text[equals+1:]} {
		for name := range strings.SplitSeq(part, "+") {
			trimmed := strings.TrimSpace(name)
			start := at + len(name) - len(strings.TrimLeft(name, " \t"))
			switch {
			case trimmed == "":
				return fail(at, "a stream's name is missing")
			case !namePattern.MatchString(trimmed):
				return fail(start, "%q is not the name of a stream", trimmed)
			case seen[trimmed]:
				return fail(start, "the stream %s stands twice", trimmed)
			}
			seen[trimmed] = true
			if side == 0 {
				j.In = append(j.In, trimmed)
			} else {
				j.Out = append(j.Out, trimmed)
			}
			at += len(name) + 1
		}
	}
	return j, nil
}

// network is the plant's streams and junctions, checked to belong together.
type network struct {
	junctions []Junction
	feeds     []int // streams that enter the plant
	products  []int // streams that leave it
}

// connect checks the junctions against the streams.
func connect(s *Samples, junctions []Junction) (*network, error) {
	if len(junctions) == 0 {
		return nil, fmt.Errorf("balance: there is no junction: give one like %q", DefaultJunction())
	}
	index := map[string]int{}
	for i, st := range s.Streams {
		index[st.Name] = i
	}
	enters, leaves := make([]int, len(s.Streams)), make([]int, len(s.Streams))
	for _, j := range junctions {
		if len(j.In) == 0 || len(j.Out) == 0 {
			return nil, fmt.Errorf("%s:1:1: no row is a product of %s: add rows for the products, or give the junctions", s.File, strings.Join(j.In, " + "))
		}
		for side, names := range [][]string{j.In, j.Out} {
			for _, name := range names {
				i, ok := index[name]
				if !ok {
					return nil, fmt.Errorf("%s:1:1: the junction %q names the stream %s, which has no row: add a row, with empty fields where nothing was measured", s.File, j, name)
				}
				if side == 0 {
					leaves[i]++ // it goes into this junction
				} else {
					enters[i]++ // it comes out of this junction
				}
			}
		}
	}
	n := &network{junctions: junctions}
	for i, st := range s.Streams {
		switch {
		case enters[i] == 0 && leaves[i] == 0:
			return nil, fmt.Errorf("%s:%d:1: the stream %s is not known: no junction names it (%s); correct the name or give the junctions", s.File, max(st.Line, 1), st.Name, joined(junctions))
		case enters[i] > 1 || leaves[i] > 1:
			return nil, fmt.Errorf("%s:%d:1: the stream %s stands on the same side of two junctions: a stream comes from one place and goes to one", s.File, max(st.Line, 1), st.Name)
		case enters[i] == 0:
			n.feeds = append(n.feeds, i)
		case leaves[i] == 0:
			n.products = append(n.products, i)
		}
	}
	if len(n.feeds) == 0 || len(n.products) == 0 {
		return nil, fmt.Errorf("%s:1:1: the junctions (%s) go round in a circle: nothing enters or leaves the plant", s.File, joined(junctions))
	}
	return n, nil
}

func joined(junctions []Junction) string {
	texts := make([]string, len(junctions))
	for i, j := range junctions {
		texts[i] = j.String()
	}
	return strings.Join(texts, "; ")
}

// Present drops from a junction the products that have no row, and says which. It is
// for the default junction and a plant file's product list, which name all products
// that a plant may have. A feed without a row is one that was not measured: it is
// put in front, to be worked out from the products.
func (j Junction) Present(s *Samples) (kept Junction, dropped []string) {
	kept.In = j.In
	for _, name := range j.In {
		if !slices.ContainsFunc(s.Streams, func(st Stream) bool { return st.Name == name }) {
			s.Streams = slices.Insert(s.Streams, 0, Stream{Name: name, Grades: make([]Measured, len(s.Elements))})
			s.Warnings = append(s.Warnings, fmt.Sprintf("No row for %s: it is worked out from the products.", name))
		}
	}
	for _, name := range j.Out {
		if slices.ContainsFunc(s.Streams, func(st Stream) bool { return st.Name == name }) {
			kept.Out = append(kept.Out, name)
		} else {
			dropped = append(dropped, name)
		}
	}
	return kept, dropped
}
