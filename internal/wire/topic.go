package wire

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Kind is what a Sparkplug message is.
type Kind string

const (
	NBIRTH Kind = "NBIRTH"
	NDATA  Kind = "NDATA"
	NDEATH Kind = "NDEATH"
	NCMD   Kind = "NCMD"
	DBIRTH Kind = "DBIRTH"
	DDATA  Kind = "DDATA"
	DDEATH Kind = "DDEATH"
	DCMD   Kind = "DCMD"
	STATE  Kind = "STATE"
)

// ofDevice reports whether messages of this kind name a device.
func (k Kind) ofDevice() bool {
	return k == DBIRTH || k == DDATA || k == DDEATH || k == DCMD
}

// ofNode reports whether messages of this kind name a node and no device.
func (k Kind) ofNode() bool {
	return k == NBIRTH || k == NDATA || k == NDEATH || k == NCMD
}

// Namespace is the first level of every Sparkplug B topic.
const Namespace = "spBv1.0"

// Topic is a Sparkplug topic in its parts. A STATE topic has no group and no
// device; its Node is the id of the host.
type Topic struct {
	Group  string
	Kind   Kind
	Node   string
	Device string
}

// ErrTopic is the kind of every error of ParseTopic.
var ErrTopic = errors.New("not a Sparkplug B topic")

// ParseTopic takes a topic apart and checks every part.
func ParseTopic(s string) (Topic, error) {
	parts := strings.Split(s, "/")
	if parts[0] != Namespace || len(parts) < 3 {
		return Topic{}, fmt.Errorf("%w: %.200q", ErrTopic, s)
	}
	var t Topic
	switch {
	case parts[1] == string(STATE) && len(parts) == 3:
		t = Topic{Kind: STATE, Node: parts[2]}
	case len(parts) == 4 && Kind(parts[2]).ofNode():
		t = Topic{Group: parts[1], Kind: Kind(parts[2]), Node: parts[3]}
	case len(parts) == 5 && Kind(parts[2]).ofDevice():
		t = Topic{Group: parts[1], Kind: Kind(parts[2]), Node: parts[3], Device: parts[4]}
		if !ValidID(t.Device) {
			return Topic{}, fmt.Errorf("%w: %.200q: the device id is not legal", ErrTopic, s)
		}
	default:
		return Topic{}, fmt.Errorf("%w: %.200q", ErrTopic, s)
	}
	if t.Kind != STATE && (!ValidID(t.Group) || t.Group == string(STATE)) || !ValidID(t.Node) {
		return Topic{}, fmt.Errorf("%w: %.200q: an id is not legal", ErrTopic, s)
	}
	return t, nil
}

func (t Topic) String() string {
	switch {
	case t.Kind == STATE:
		return Namespace + "/" + string(STATE) + "/" + t.Node
	case t.Kind.ofDevice():
		return strings.Join([]string{Namespace, t.Group, string(t.Kind), t.Node, t.Device}, "/")
	default:
		return strings.Join([]string{Namespace, t.Group, string(t.Kind), t.Node}, "/")
	}
}

// ValidID reports whether a group, node, device or host id is legal Sparkplug: not
// empty, UTF-8, without the characters + / # (and without NUL, which MQTT forbids).
// A length over 256 bytes is refused too: that is our own limit.
func ValidID(id string) bool {
	return id != "" && len(id) <= 256 && utf8.ValidString(id) && !strings.ContainsAny(id, "+/#\x00")
}

// OwnID reports whether an id is one that our own nodes, groups and hosts may have:
// 1 to 32 of a to z, 0 to 9 and the hyphen.
func OwnID(id string) bool {
	if id == "" || len(id) > 32 {
		return false
	}
	for _, r := range id {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-') {
			return false
		}
	}
	return true
}

// State is the payload of a STATE message: whether a host is there, and since when
// (ms since 1970, UTC; the time of its CONNECT, or of its leaving).
type State struct {
	Online    bool   `json:"online"`
	Timestamp uint64 `json:"timestamp"`
}

// JSON is the STATE payload.
func (s State) JSON() []byte {
	return fmt.Appendf(nil, `{"online":%t,"timestamp":%d}`, s.Online, s.Timestamp)
}

// ParseState reads a STATE payload; both members must be there.
func ParseState(b []byte) (State, error) {
	var raw struct {
		Online    *bool   `json:"online"`
		Timestamp *uint64 `json:"timestamp"`
	}
	if len(b) > 1024 {
		return State{}, fmt.Errorf("STATE of %d bytes is too long", len(b))
	}
	d := json.NewDecoder(bytes.NewReader(b))
	if err := d.Decode(&raw); err != nil {
		return State{}, fmt.Errorf("STATE is not JSON as Sparkplug 3.0 has it: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return State{}, errors.New("STATE goes on after its JSON object")
	}
	if raw.Online == nil || raw.Timestamp == nil {
		return State{}, errors.New(`STATE lacks "online" or "timestamp"`)
	}
	return State{Online: *raw.Online, Timestamp: *raw.Timestamp}, nil
}
