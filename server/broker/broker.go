// Package broker is the server's end of MQTT: a broker inside the process, whose
// messages are taken in its publish hook, or a client of a broker outside. Both act
// as the Sparkplug host: STATE is retained, online while the server runs.
package broker

import (
	"context"
	"time"

	"decktrim/internal/wire"
)

// Message is one MQTT message of a node.
type Message struct {
	Topic    wire.Topic
	Payload  []byte // the receiver's own
	Received time.Time
}

// Sink takes messages in the order in which each sender sent them. Deliver may wait
// while its queue is full: that slows the sender, and nothing is dropped. It must
// not wait after the sink has stopped.
type Sink interface {
	Deliver(Message)
	// Lost says that the connection to the broker broke: what nodes do meanwhile is
	// not known.
	Lost(at time.Time)
}

// Broker is either kind.
type Broker interface {
	// Run serves until ctx ends, then says STATE offline and leaves.
	Run(ctx context.Context) error
	// Publish sends a command (QoS 0, not retained). It does not wait for the network;
	// a command that cannot be sent is dropped: both kinds are repeated when needed.
	Publish(topic wire.Topic, payload []byte)
	// Connected reports whether nodes can be heard.
	Connected() bool
}
