// Package wire is the contract between the board and the server: Sparkplug B over
// MQTT 3.1.1 (Eclipse Sparkplug 3.0.0), with the spool's confirmation on top. It
// holds topics, the payload codec, and the rules an edge node and a host follow,
// as pure state machines: no socket, no clock.
package wire

// DataType is a Sparkplug B data type code.
type DataType uint32

const (
	TypeUnknown  DataType = 0
	TypeInt8     DataType = 1
	TypeInt16    DataType = 2
	TypeInt32    DataType = 3
	TypeInt64    DataType = 4
	TypeUInt8    DataType = 5
	TypeUInt16   DataType = 6
	TypeUInt32   DataType = 7
	TypeUInt64   DataType = 8
	TypeFloat    DataType = 9
	TypeDouble   DataType = 10
	TypeBoolean  DataType = 11
	TypeString   DataType = 12
	TypeDateTime DataType = 13
	TypeText     DataType = 14
	TypeUUID     DataType = 15
	TypeDataSet  DataType = 16
	TypeBytes    DataType = 17
	TypeFile     DataType = 18
	TypeTemplate DataType = 19
)

// Metric is one value on the wire. Value is nil when Null, else one of float64,
// int64, uint64, bool, string or []byte, already cut and sign-extended to its type.
type Metric struct {
	Name       string
	Alias      uint64
	HasAlias   bool
	Timestamp  uint64 // ms since 1970, UTC, when measured; 0: absent
	Type       DataType
	Historical bool
	Transient  bool
	Null       bool
	Properties []Property
	Value      any

	// Err says why a received metric has no usable value: none was there, a wrong
	// field, a type that is not read here. The rest of its payload stands.
	Err error

	raw rawValue // the value as received while Type is not known; see Resolve
}

// Property is one entry of a metric's property set, for example Quality or engUnit.
type Property struct {
	Key   string
	Type  DataType
	Null  bool
	Value any
}

// Payload is one Sparkplug B payload.
type Payload struct {
	Timestamp uint64 // ms, when sent; 0: absent
	Metrics   []Metric
	Seq       uint64
	HasSeq    bool
	UUID      string
	Body      []byte
}

// Names of the metrics that carry the spool's confirmation. Int64 but for the stream.
const (
	MetricStream    = "Spool/Stream" // String, UUID of the spool
	MetricOldest    = "Spool/Oldest Seq"
	MetricLast      = "Spool/Last Seq"
	MetricAcked     = "Spool/Acked Seq"
	MetricGapFrom   = "Spool/Gap From"
	MetricGapTo     = "Spool/Gap To"
	MetricBdSeq     = "bdSeq"
	MetricRebirth   = "Node Control/Rebirth"
	PropertyUnit    = "engUnit"
	PropertyQuality = "Quality"
	PropertyReason  = "Reason" // our own: plant.Reason of a reading that is not good
)
