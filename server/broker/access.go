package broker

import (
	"strings"

	"decktrim/internal/wire"
)

// ParseNode reads GROUP/NODE.
func ParseNode(s string) (wire.NodeID, bool) {
	group, node, ok := strings.Cut(s, "/")
	id := wire.NodeID{Group: group, Node: node}
	return id, ok && wire.ValidID(group) && group != string(wire.STATE) && wire.ValidID(node)
}

// mayRead says whether a client may receive a topic, or subscribe to a filter: every
// topic the filter matches must be allowed. Levels are compared one by one.
//
//	node G/N   spBv1.0/G/NCMD/N and the host's STATE
//	reader     births, data, deaths and STATE; never commands
//	local      anything of spBv1.0 (plain loopback: whoever is on the machine)
func mayRead(a access, filter, hostID string) bool {
	levels := strings.Split(filter, "/")
	if levels[0] != wire.Namespace {
		return false // '#', '+', $share and $SYS among them
	}
	switch {
	case a.local:
		return true
	case a.reader:
		// A filter with a wildcard where the kind stands would match commands, but
		// each delivery is checked again with its real topic.
		return len(levels) < 3 || (levels[2] != string(wire.NCMD) && levels[2] != string(wire.DCMD))
	}
	own := wire.Topic{Group: a.node.Group, Kind: wire.NCMD, Node: a.node.Node}
	state := wire.Topic{Kind: wire.STATE, Node: hostID}
	return filter == own.String() || filter == state.String()
}
