package wire

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
	"unicode/utf8"
)

// Limits of a payload. Brokers drop the link on packets that are too large for
// them, so what is sent stays far below what is taken.
const (
	MaxSent       = 32 << 10  // bytes a node puts into one payload
	MaxReceived   = 256 << 10 // bytes of the largest payload that is decoded
	MaxMetrics    = 4096      // metrics in one payload
	MaxProperties = 64        // properties of one metric
	MaxText       = 1024      // bytes of a metric name or property key

	maxGroupDepth = 8 // nesting of protobuf groups that are skipped
)

// MaxTimestamp is the last millisecond of the year 9999: later times have no
// calendar date in most programs.
const MaxTimestamp = 253402300799999

// Errors of Decode. Each means that nothing of the payload can be used.
var (
	ErrTooLarge  = errors.New("payload is too large")
	ErrTooMany   = errors.New("payload holds too many entries")
	ErrMalformed = errors.New("payload is not a Sparkplug B protobuf message")
)

// Errors of one metric (Metric.Err). The rest of the payload stands.
var (
	ErrNoValue     = errors.New("no value and not marked null")
	ErrWrongField  = errors.New("value stands in a field that does not fit its type")
	ErrNotReadHere = errors.New("type is not read here")
	ErrNotANumber  = errors.New("value is not a finite number")
	ErrNotText     = errors.New("text is not valid UTF-8 or holds a NUL")
)

// Field numbers of the protobuf messages (Eclipse Sparkplug 3.0.0, chapter 6,
// "Google Protocol Buffers schema").
const (
	payloadTimestamp = 1
	payloadMetrics   = 2
	payloadSeq       = 3
	payloadUUID      = 4
	payloadBody      = 5

	metricName       = 1
	metricAlias      = 2
	metricTimestamp  = 3
	metricDatatype   = 4
	metricHistorical = 5
	metricTransient  = 6
	metricNull       = 7
	metricProperties = 9
	metricInt        = 10 // the value fields, one of
	metricLong       = 11
	metricFloat      = 12
	metricDouble     = 13
	metricBoolean    = 14
	metricString     = 15
	metricBytes      = 16
	metricDataSet    = 17
	metricTemplate   = 18
	metricExtension  = 19

	setKeys   = 1
	setValues = 2

	propertyType = 1
	propertyNull = 2
	// The value fields of a property are those of a metric less this.
	propertyOffset    = 7 // 3 int, 4 long, 5 float, 6 double, 7 boolean, 8 string
	propertyLastValue = 8
)

// Protobuf wire types.
const (
	wireVarint     = 0
	wireFixed64    = 1
	wireBytes      = 2
	wireStartGroup = 3
	wireEndGroup   = 4
	wireFixed32    = 5
)

// rawValue is a value as it came, before its type is known.
type rawValue struct {
	field int    // metric field number; 0: none
	bits  uint64 // of a number or boolean
	bytes []byte // of a string or bytes; a copy
}

// Append writes the payload behind dst and returns the longer slice. A metric
// without a Value is written as null; so is NaN or an infinity, which few readers
// take. A Value that does not fit its Type is a programmer's mistake and panics.
func (p *Payload) Append(dst []byte) []byte {
	if p.Timestamp != 0 {
		dst = appendVarintField(dst, payloadTimestamp, p.Timestamp)
	}
	var buf []byte
	for i := range p.Metrics {
		buf = p.Metrics[i].append(buf[:0])
		dst = appendBytesField(dst, payloadMetrics, buf)
	}
	if p.HasSeq {
		dst = appendVarintField(dst, payloadSeq, p.Seq)
	}
	if p.UUID != "" {
		dst = appendBytesField(dst, payloadUUID, p.UUID)
	}
	if p.Body != nil {
		dst = appendBytesField(dst, payloadBody, p.Body)
	}
	return dst
}

func (m *Metric) append(dst []byte) []byte {
	if m.Name != "" {
		dst = appendBytesField(dst, metricName, m.Name)
	}
	if m.HasAlias {
		dst = appendVarintField(dst, metricAlias, m.Alias)
	}
	if m.Timestamp != 0 {
		dst = appendVarintField(dst, metricTimestamp, m.Timestamp)
	}
	if m.Type != TypeUnknown {
		dst = appendVarintField(dst, metricDatatype, uint64(m.Type))
	}
	if m.Historical {
		dst = appendVarintField(dst, metricHistorical, 1)
	}
	if m.Transient {
		dst = appendVarintField(dst, metricTransient, 1)
	}
	raw := m.raw
	if raw.field == 0 && !m.Null && m.Value != nil {
		var ok bool
		if raw, ok = carry(m.Type, m.Value); !ok {
			panic(fmt.Sprintf("wire: metric %q of type %d cannot carry a %T", m.Name, m.Type, m.Value))
		}
	}
	if raw.field == 0 {
		dst = appendVarintField(dst, metricNull, 1)
	}
	if len(m.Properties) > 0 {
		dst = appendBytesField(dst, metricProperties, appendProperties(nil, m.Properties))
	}
	return raw.append(dst, 0)
}

func appendProperties(dst []byte, ps []Property) []byte {
	for _, p := range ps {
		dst = appendBytesField(dst, setKeys, p.Key)
	}
	for _, p := range ps {
		var v []byte
		if p.Type != TypeUnknown {
			v = appendVarintField(v, propertyType, uint64(p.Type))
		}
		var raw rawValue
		if !p.Null && p.Value != nil {
			var ok bool
			if raw, ok = carry(p.Type, p.Value); !ok || raw.field-propertyOffset > propertyLastValue {
				panic(fmt.Sprintf("wire: property %q of type %d cannot carry a %T", p.Key, p.Type, p.Value))
			}
		}
		if raw.field == 0 {
			v = appendVarintField(v, propertyNull, 1)
		}
		v = raw.append(v, propertyOffset)
		dst = appendBytesField(dst, setValues, v)
	}
	return dst
}

// append writes the value into its field, whose number is less by offset in a
// property.
func (r rawValue) append(dst []byte, offset int) []byte {
	switch r.field {
	case metricInt, metricLong, metricBoolean:
		dst = appendVarintField(dst, r.field-offset, r.bits)
	case metricFloat:
		dst = appendTag(dst, r.field-offset, wireFixed32)
		dst = binary.LittleEndian.AppendUint32(dst, uint32(r.bits))
	case metricDouble:
		dst = appendTag(dst, r.field-offset, wireFixed64)
		dst = binary.LittleEndian.AppendUint64(dst, r.bits)
	case metricString, metricBytes:
		dst = appendBytesField(dst, r.field-offset, r.bytes)
	}
	return dst
}

// carry says which field holds a value of a type, and how. A number that is not
// finite has none: field 0, written as null.
func carry(t DataType, v any) (rawValue, bool) {
	switch v := v.(type) {
	case int64:
		switch t {
		case TypeInt8, TypeInt16, TypeInt32: // two's complement, extended to 32 bits
			return rawValue{field: metricInt, bits: uint64(uint32(v))}, true
		case TypeInt64:
			return rawValue{field: metricLong, bits: uint64(v)}, true
		}
	case uint64:
		switch t {
		case TypeUInt8, TypeUInt16, TypeUInt32:
			return rawValue{field: metricInt, bits: uint64(uint32(v))}, true
		case TypeUInt64, TypeDateTime:
			return rawValue{field: metricLong, bits: v}, true
		}
	case float64:
		switch t {
		case TypeFloat:
			if !finite(float64(float32(v))) {
				return rawValue{}, true
			}
			return rawValue{field: metricFloat, bits: uint64(math.Float32bits(float32(v)))}, true
		case TypeDouble:
			if !finite(v) {
				return rawValue{}, true
			}
			return rawValue{field: metricDouble, bits: math.Float64bits(v)}, true
		}
	case bool:
		if t == TypeBoolean {
			r := rawValue{field: metricBoolean}
			if v {
				r.bits = 1
			}
			return r, true
		}
	case string:
		switch t {
		case TypeString, TypeText, TypeUUID:
			return rawValue{field: metricString, bytes: []byte(v)}, true
		}
	case []byte:
		if carriedAsBytes(t) {
			return rawValue{field: metricBytes, bytes: v}, true
		}
	}
	return rawValue{}, false
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// carriedAsBytes reports whether a type travels in bytes_value: Bytes, File and
// the arrays (codes 22 to 34), which are handed on packed as they came.
func carriedAsBytes(t DataType) bool {
	return t == TypeBytes || t == TypeFile || t >= 22 && t <= 34
}

// typed turns a value as received into the Go value of its type. It takes both
// habits found in the field: UInt32 in int_value and in long_value, and small
// negative numbers sign-extended or as the bare low bytes, by cutting to the
// type's width and then extending the sign.
func (r rawValue) typed(t DataType) (any, error) {
	if r.field == 0 {
		return nil, ErrNoValue
	}
	whole := r.field == metricInt || r.field == metricLong
	switch t {
	case TypeUnknown:
		return nil, ErrNotReadHere // a data set or the like; what is read here waits for its type
	case TypeInt8:
		if whole {
			return int64(int8(r.bits)), nil
		}
	case TypeInt16:
		if whole {
			return int64(int16(r.bits)), nil
		}
	case TypeInt32:
		if whole {
			return int64(int32(r.bits)), nil
		}
	case TypeInt64: // not from int_value, whose sign could not be told
		if r.field == metricLong {
			return int64(r.bits), nil
		}
	case TypeUInt8:
		if whole {
			return uint64(uint8(r.bits)), nil
		}
	case TypeUInt16:
		if whole {
			return uint64(uint16(r.bits)), nil
		}
	case TypeUInt32:
		if whole {
			return uint64(uint32(r.bits)), nil
		}
	case TypeUInt64, TypeDateTime:
		if whole {
			return r.bits, nil
		}
	case TypeFloat:
		if r.field == metricFloat {
			return finiteOrErr(float64(math.Float32frombits(uint32(r.bits))))
		}
	case TypeDouble:
		if r.field == metricDouble {
			return finiteOrErr(math.Float64frombits(r.bits))
		}
	case TypeBoolean:
		if r.field == metricBoolean {
			return r.bits != 0, nil
		}
	case TypeString, TypeText, TypeUUID:
		if r.field == metricString {
			s := string(r.bytes)
			if !cleanText(s) {
				return nil, ErrNotText
			}
			return s, nil
		}
	default:
		if !carriedAsBytes(t) {
			return nil, ErrNotReadHere
		}
		if r.field == metricBytes {
			return r.bytes, nil
		}
	}
	return nil, ErrWrongField
}

func finiteOrErr(v float64) (any, error) {
	if !finite(v) {
		return nil, ErrNotANumber
	}
	return v, nil
}

func cleanText(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }

// Resolve gives a received metric that came without a type the type t which the
// birth declared for it, and with it its Value, or Err. A metric that has a type
// stays as it is.
func (m *Metric) Resolve(t DataType) {
	if m.Type == TypeUnknown {
		m.Type = t
		m.settle()
	}
}

// omitType makes a metric ready to be written without its type, which its birth
// has declared.
func (m *Metric) omitType() {
	if m.Value != nil && !m.Null {
		m.raw, _ = carry(m.Type, m.Value)
	}
	m.Type, m.Value = TypeUnknown, nil
}

// settle fills Value or Err from the value as received. A number that is not
// finite becomes null with Err saying so: it is missing, and not silently.
func (m *Metric) settle() {
	if m.Null {
		m.raw = rawValue{}
		return
	}
	if m.Type == TypeUnknown && m.raw.field != 0 && m.raw.field <= metricBytes {
		return // waits for Resolve
	}
	m.Value, m.Err = m.raw.typed(m.Type)
	m.Null = errors.Is(m.Err, ErrNotANumber)
	m.raw = rawValue{}
}

// Decode reads a payload. Unknown fields, data sets and templates are skipped. An
// error means that nothing can be used; a single bad metric carries its own Err.
// A metric without a type keeps its value until Resolve. The result shares no
// memory with b.
func Decode(b []byte) (*Payload, error) {
	if len(b) > MaxReceived {
		return nil, fmt.Errorf("%w: %d bytes, the limit is %d", ErrTooLarge, len(b), MaxReceived)
	}
	metrics := 0 // counted first, so that the list is made once: half of the work was growing it
	err := eachField(b, func(field int, f fieldValue) error {
		if field == payloadMetrics && f.wire == wireBytes {
			metrics++
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	p := &Payload{}
	if metrics > 0 {
		p.Metrics = make([]Metric, 0, min(metrics, MaxMetrics))
	}
	err = eachField(b, func(field int, f fieldValue) error {
		switch {
		case field == payloadTimestamp && f.wire == wireVarint:
			p.Timestamp = f.bits
		case field == payloadMetrics && f.wire == wireBytes:
			if len(p.Metrics) == MaxMetrics {
				return fmt.Errorf("%w: more than %d metrics", ErrTooMany, MaxMetrics)
			}
			p.Metrics = append(p.Metrics, Metric{})
			return p.Metrics[len(p.Metrics)-1].decode(f.bytes)
		case field == payloadSeq && f.wire == wireVarint:
			p.Seq, p.HasSeq = f.bits, true
		case field == payloadUUID && f.wire == wireBytes:
			p.UUID = strings.ToValidUTF8(string(f.bytes), "\uFFFD")
		case field == payloadBody && f.wire == wireBytes:
			p.Body = append([]byte{}, f.bytes...)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return p, nil
}

func (m *Metric) decode(b []byte) error {
	badText := false
	var keys []string
	var values []Property
	err := eachField(b, func(field int, f fieldValue) error {
		switch {
		case field == metricName && f.wire == wireBytes:
			m.Name = string(f.bytes)
			if badText = len(m.Name) > MaxText || !cleanText(m.Name); badText {
				m.Name = ""
			}
		case field == metricAlias && f.wire == wireVarint:
			m.Alias, m.HasAlias = f.bits, true
		case field == metricTimestamp && f.wire == wireVarint:
			m.Timestamp = f.bits
		case field == metricDatatype && f.wire == wireVarint:
			m.Type = DataType(f.bits)
		case field == metricHistorical && f.wire == wireVarint:
			m.Historical = f.bits != 0
		case field == metricTransient && f.wire == wireVarint:
			m.Transient = f.bits != 0
		case field == metricNull && f.wire == wireVarint:
			m.Null = f.bits != 0
		case field == metricProperties && f.wire == wireBytes:
			return decodeProperties(f.bytes, &keys, &values)
		case field >= metricInt && field <= metricExtension:
			if raw, ok := f.value(field); ok {
				m.raw = raw
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(keys) == len(values) { // arrays of unequal length say nothing
		for i := range values {
			values[i].Key = keys[i]
			m.Properties = append(m.Properties, values[i])
		}
	}
	m.settle()
	if badText {
		m.Err, m.Value, m.raw = ErrNotText, nil, rawValue{}
	}
	return nil
}

func decodeProperties(b []byte, keys *[]string, values *[]Property) error {
	return eachField(b, func(field int, f fieldValue) error {
		if f.wire != wireBytes {
			return nil
		}
		if len(*keys) > MaxProperties || len(*values) > MaxProperties {
			return fmt.Errorf("%w: more than %d properties of one metric", ErrTooMany, MaxProperties)
		}
		switch field {
		case setKeys:
			key := string(f.bytes)
			if len(key) > MaxText {
				return fmt.Errorf("%w: a property key of %d bytes", ErrTooMany, len(key))
			}
			*keys = append(*keys, strings.ToValidUTF8(key, "\uFFFD"))
		case setValues:
			p, err := decodeProperty(f.bytes)
			if err != nil {
				return err
			}
			*values = append(*values, p)
		}
		return nil
	})
}

// decodeProperty reads a property value. One that cannot be read (a nested set, a
// value in a wrong field) is null.
func decodeProperty(b []byte) (Property, error) {
	var p Property
	var raw rawValue
	err := eachField(b, func(field int, f fieldValue) error {
		switch {
		case field == propertyType && f.wire == wireVarint:
			p.Type = DataType(f.bits)
		case field == propertyNull && f.wire == wireVarint:
			p.Null = f.bits != 0
		case field > propertyNull && field <= propertyLastValue:
			if r, ok := f.value(field + propertyOffset); ok {
				raw = r
			}
		}
		return nil
	})
	if err != nil {
		return p, err
	}
	if !p.Null {
		v, err := raw.typed(p.Type)
		p.Value, p.Null = v, err != nil
	}
	return p, nil
}

// fieldValue is one protobuf field as met on the wire.
type fieldValue struct {
	wire  int
	bits  uint64
	bytes []byte // shares memory with the payload
}

// value takes the field as a metric's value, if its wire type is the right one.
func (f fieldValue) value(field int) (rawValue, bool) {
	switch field {
	case metricInt:
		return rawValue{field: field, bits: uint64(uint32(f.bits))}, f.wire == wireVarint
	case metricLong, metricBoolean:
		return rawValue{field: field, bits: f.bits}, f.wire == wireVarint
	case metricFloat:
		return rawValue{field: field, bits: f.bits}, f.wire == wireFixed32
	case metricDouble:
		return rawValue{field: field, bits: f.bits}, f.wire == wireFixed64
	case metricString, metricBytes:
		if f.wire != wireBytes {
			return rawValue{}, false
		}
		return rawValue{field: field, bytes: append([]byte{}, f.bytes...)}, true
	default: // data set, template, extension: seen, not read
		return rawValue{field: field}, f.wire == wireBytes
	}
}

// eachField walks over the fields of one message, one level deep.
func eachField(b []byte, visit func(field int, f fieldValue) error) error {
	for len(b) > 0 {
		tag, n := binary.Uvarint(b)
		if n <= 0 || tag>>3 == 0 || tag>>3 > 1<<29-1 {
			return fmt.Errorf("%w: a field number is wrong", ErrMalformed)
		}
		b = b[n:]
		f := fieldValue{wire: int(tag & 7)}
		switch f.wire {
		case wireVarint:
			if f.bits, n = binary.Uvarint(b); n <= 0 {
				return fmt.Errorf("%w: a number is cut off or too long", ErrMalformed)
			}
			b = b[n:]
		case wireFixed64:
			if len(b) < 8 {
				return fmt.Errorf("%w: it ends inside a number", ErrMalformed)
			}
			f.bits, b = binary.LittleEndian.Uint64(b), b[8:]
		case wireFixed32:
			if len(b) < 4 {
				return fmt.Errorf("%w: it ends inside a number", ErrMalformed)
			}
			f.bits, b = uint64(binary.LittleEndian.Uint32(b)), b[4:]
		case wireBytes:
			length, n := binary.Uvarint(b)
			if n <= 0 || length > uint64(len(b)-n) {
				return fmt.Errorf("%w: a part is longer than the payload", ErrMalformed)
			}
			f.bytes, b = b[n:n+int(length)], b[n+int(length):]
		case wireStartGroup:
			rest, err := skipGroup(b, tag>>3, 1)
			if err != nil {
				return err
			}
			b = rest
			continue // nothing of ours is a group
		default:
			return fmt.Errorf("%w: wire type %d", ErrMalformed, f.wire)
		}
		if err := visit(int(tag>>3), f); err != nil {
			return err
		}
	}
	return nil
}

// skipGroup returns what follows the end of a group that b stands in.
func skipGroup(b []byte, group uint64, depth int) ([]byte, error) {
	if depth > maxGroupDepth {
		return nil, fmt.Errorf("%w: groups nested deeper than %d", ErrMalformed, maxGroupDepth)
	}
	for {
		tag, n := binary.Uvarint(b)
		if n <= 0 {
			return nil, fmt.Errorf("%w: a group does not end", ErrMalformed)
		}
		b = b[n:]
		skip := 0
		switch tag & 7 {
		case wireVarint:
			if _, skip = binary.Uvarint(b); skip <= 0 {
				return nil, fmt.Errorf("%w: a number is cut off or too long", ErrMalformed)
			}
		case wireFixed64:
			skip = 8
		case wireFixed32:
			skip = 4
		case wireBytes:
			length, n := binary.Uvarint(b)
			if n <= 0 || length > uint64(len(b)-n) {
				return nil, fmt.Errorf("%w: a part is longer than the payload", ErrMalformed)
			}
			skip = n + int(length)
		case wireStartGroup:
			rest, err := skipGroup(b, tag>>3, depth+1)
			if err != nil {
				return nil, err
			}
			skip = len(b) - len(rest)
		case wireEndGroup:
			if tag>>3 != group {
				return nil, fmt.Errorf("%w: a group ends another one", ErrMalformed)
			}
			return b, nil
		default:
			return nil, fmt.Errorf("%w: wire type %d", ErrMalformed, tag&7)
		}
		if skip > len(b) {
			return nil, fmt.Errorf("%w: it ends inside a group", ErrMalformed)
		}
		b = b[skip:]
	}
}

func appendTag(dst []byte, field, wire int) []byte {
	return binary.AppendUvarint(dst, uint64(field)<<3|uint64(wire))
}

func appendVarintField(dst []byte, field int, v uint64) []byte {
	return binary.AppendUvarint(appendTag(dst, field, wireVarint), v)
}

func appendBytesField[T ~string | ~[]byte](dst []byte, field int, v T) []byte {
	dst = binary.AppendUvarint(appendTag(dst, field, wireBytes), uint64(len(v)))
	return append(dst, v...)
}
