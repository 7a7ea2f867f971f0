package wire

import (
	"encoding/hex"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// fromHex reads bytes written out by hand from the protobuf encoding rules
// (protobuf.dev, "Encoding") and the field tables of Sparkplug 3.0.0 chapter 6; a
// tag is the field number times 8 plus the wire type (0 varint, 1 eight bytes,
// 2 length-delimited, 5 four bytes). Spaces and what follows a # are for people.
func fromHex(t testing.TB, text string) []byte {
	t.Helper()
	var digits strings.Builder
	for line := range strings.Lines(text) {
		line, _, _ = strings.Cut(line, "#")
		digits.WriteString(strings.Join(strings.Fields(line), ""))
	}
	b, err := hex.DecodeString(digits.String())
	require.NoError(t, err)
	return b
}

// golden holds a payload of every kind of field, and its bytes.
var golden = []struct {
	name    string
	payload Payload
	bytes   string
}{
	{"empty", Payload{}, ""},
	{"payload fields", Payload{Timestamp: 1700000000000, Seq: 0, HasSeq: true, UUID: "u", Body: []byte{1, 2}},
		`08 80d095ffbc31  # 1 timestamp
		 18 00            # 3 seq, written though 0
		 22 01 75         # 4 uuid
		 2a 02 0102       # 5 body`},
	{"seq 255 takes two bytes", Payload{Seq: 255, HasSeq: true}, `18 ff01`},
	{"double with everything", Payload{Metrics: []Metric{{
		Name: "Belt/feed_rate", Alias: 300, HasAlias: true, Timestamp: 1700000000000, Type: TypeDouble,
		Historical: true, Transient: true, Value: 2.5,
		Properties: []Property{
			{Key: "engUnit", Type: TypeString, Value: "t/h"},
			{Key: "Quality", Type: TypeInt32, Value: int64(192)},
		}}}},
		`12 4d                                  # 2 metric
		 0a 0e 42656c742f666565645f72617465     # 1 name
		 10 ac02                                # 2 alias
		 18 80d095ffbc31                        # 3 timestamp
		 20 0a                                  # 4 datatype 10
		 28 01                                  # 5 is_historical
		 30 01                                  # 6 is_transient
		 4a 22                                  # 9 properties
		   0a 07 656e67556e6974                 #   1 key
		   0a 07 5175616c697479                 #   1 key
		   12 07 08 0c 42 03 742f68             #   2 value: 1 type 12, 8 string
		   12 05 08 03 18 c001                  #   2 value: 1 type 3, 3 int
		 69 0000000000000440                    # 13 double, little-endian`},
	{"null", Payload{Metrics: []Metric{{Name: "a", Type: TypeDouble, Null: true}}}, `12 07 0a0161 200a 3801`},
	{"not a number is null", Payload{Metrics: []Metric{{Name: "a", Type: TypeDouble, Value: math.NaN()}}}, `12 07 0a0161 200a 3801`},
	{"infinity is null", Payload{Metrics: []Metric{{Name: "a", Type: TypeFloat, Value: math.Inf(-1)}}}, `12 07 0a0161 2009 3801`},
	{"int8 -5 is extended to 32 bits", Payload{Metrics: []Metric{{Type: TypeInt8, Value: int64(-5)}}}, `12 08 2001 50 fbffffff0f`},
	{"int64 -5 is extended to 64 bits", Payload{Metrics: []Metric{{Type: TypeInt64, Value: int64(-5)}}}, `12 0d 2004 58 fbffffffffffffffff01`},
	{"uint32", Payload{Metrics: []Metric{{Type: TypeUInt32, Value: uint64(math.MaxUint32)}}}, `12 08 2007 50 ffffffff0f`},
	{"uint64", Payload{Metrics: []Metric{{Type: TypeUInt64, Value: uint64(math.MaxUint64)}}}, `12 0d 2008 58 ffffffffffffffffff01`},
	{"float", Payload{Metrics: []Metric{{Type: TypeFloat, Value: 2.5}}}, `12 07 2009 65 00002040`},
	{"boolean true", Payload{Metrics: []Metric{{Type: TypeBoolean, Value: true}}}, `12 04 200b 7001`},
	{"boolean false is written", Payload{Metrics: []Metric{{Type: TypeBoolean, Value: false}}}, `12 04 200b 7000`},
	{"string", Payload{Metrics: []Metric{{Type: TypeString, Value: "hi"}}}, `12 06 200c 7a 02 6869`},
	{"empty string is a value", Payload{Metrics: []Metric{{Type: TypeString, Value: ""}}}, `12 04 200c 7a 00`},
	{"date and time", Payload{Metrics: []Metric{{Type: TypeDateTime, Value: uint64(1)}}}, `12 04 200d 5801`},
	{"bytes", Payload{Metrics: []Metric{{Type: TypeBytes, Value: []byte{9}}}}, `12 06 2011 8201 01 09`},
	{"null property", Payload{Metrics: []Metric{{Name: "a", Type: TypeBoolean, Value: true,
		Properties: []Property{{Key: "k", Type: TypeString, Null: true}}}}},
		`12 12 0a0161 200b 4a 09 0a016b 12 04 080c 1001 7001`},
}

func TestGoldenBytes(t *testing.T) {
	for _, tt := range golden {
		t.Run(tt.name, func(t *testing.T) {
			want := fromHex(t, tt.bytes)
			require.Equal(t, hex.EncodeToString(want), hex.EncodeToString(tt.payload.Append(nil)))
			require.Equal(t, append([]byte("x"), want...), tt.payload.Append([]byte("x")), "appends")

			// And back: what was not finite has become null, all else is the same.
			got, err := Decode(want)
			require.NoError(t, err)
			for i, m := range tt.payload.Metrics {
				if v, ok := m.Value.(float64); ok && !finite(v) {
					require.True(t, got.Metrics[i].Null)
					require.Nil(t, got.Metrics[i].Value)
					return
				}
			}
			require.Equal(t, tt.payload, *got)
		})
	}
}

// TestDecodeOthers reads what other programs write: habits from the field, fields
// of later versions, and faults of single metrics.
func TestDecodeOthers(t *testing.T) {
	tests := []struct {
		name  string
		bytes string // of one metric
		value any
		null  bool
		err   error
	}{
		{"uint32 in long_value", `2007 58 ffffffff0f`, uint64(math.MaxUint32), false, nil},
		{"int8 as its bare low byte", `2001 50 fb01`, int64(-5), false, nil},
		{"int16 as its bare low bytes", `2002 50 feff03`, int64(-2), false, nil},
		{"int32 extended to 64 bits in int_value", `2003 50 fbffffffffffffffff01`, int64(-5), false, nil},
		{"uint8 cut to its width", `2005 50 ff03`, uint64(255), false, nil},
		{"bdSeq as UInt64", `2008 58 07`, uint64(7), false, nil},
		{"uint64 in int_value", `2008 50 07`, uint64(7), false, nil},
		{"the last of two values counts", `200a 58 07 69 0000000000000440`, 2.5, false, nil},
		{"unknown fields are skipped", `200a e006 05 e206 02 6162 e106 0102030405060708 e506 01020304 69 0000000000000440`, 2.5, false, nil},
		{"groups are skipped", `200a e306 0801 120161 0b 0c e406 69 0000000000000440`, 2.5, false, nil},
		{"metadata is skipped", `200a 42 02 0801 69 0000000000000440`, 2.5, false, nil},
		{"no value and not null", `200a`, nil, false, ErrNoValue},
		{"value of another type", `200a 5807`, nil, false, ErrWrongField},
		{"value field of a wrong wire type", `200a 6a 01 00`, nil, false, ErrNoValue},
		{"boolean in int_value", `200b 5001`, nil, false, ErrWrongField},
		{"int64 in int_value: its sign is lost", `2004 5001`, nil, false, ErrWrongField},
		{"data set", `2010 8a01 02 0801`, nil, false, ErrNotReadHere},
		{"template", `2013 9201 02 0801`, nil, false, ErrNotReadHere},
		{"unheard-of type", `20 e807 5001`, nil, false, ErrNotReadHere},
		{"NaN", `200a 69 000000000000f87f`, nil, true, ErrNotANumber},
		{"infinity", `2009 65 0000807f`, nil, true, ErrNotANumber},
		{"null with a value is null", `200a 3801 69 0000000000000440`, nil, true, nil},
		{"broken text", `200c 7a 01 ff`, nil, false, ErrNotText},
		{"text with NUL", `200c 7a 01 00`, nil, false, ErrNotText},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p, err := Decode(appendBytesField(nil, 2, fromHex(t, tt.bytes)))
			require.NoError(t, err)
			require.Len(t, p.Metrics, 1)
			m := p.Metrics[0]
			require.Equal(t, tt.value, m.Value)
			require.Equal(t, tt.null, m.Null)
			require.ErrorIs(t, m.Err, tt.err)
		})
	}
}

func TestDecodeWithoutTypeWaitsForTheBirth(t *testing.T) {
	p, err := Decode(fromHex(t, `12 0c 0a0161 69 0000000000000440`))
	require.NoError(t, err)
	m := p.Metrics[0]
	require.NoError(t, m.Err)
	require.Nil(t, m.Value)
	again, err := Decode(p.Append(nil))
	require.NoError(t, err)
	require.Equal(t, p, again, "its value is not lost when it is written again")
	m.Resolve(TypeDouble)
	require.Equal(t, 2.5, m.Value)
	wrong := again.Metrics[0]
	wrong.Resolve(TypeBoolean)
	require.ErrorIs(t, wrong.Err, ErrWrongField)
}

func TestDecodeRefuses(t *testing.T) {
	deep := strings.Repeat("0b", 2000)
	tests := []struct {
		name  string
		bytes []byte
		want  error
	}{
		{"cut-off number", fromHex(t, `08 80`), ErrMalformed},
		{"number of eleven bytes", fromHex(t, `08 ffffffffffffffffffffff`), ErrMalformed},
		{"part longer than the payload", fromHex(t, `12 05 00`), ErrMalformed},
		{"part of 2^63 bytes", fromHex(t, `12 ffffffffffffffff7f`), ErrMalformed},
		{"field 0", fromHex(t, `00 01`), ErrMalformed},
		{"wire type 7", fromHex(t, `0f`), ErrMalformed},
		{"end of a group that did not begin", fromHex(t, `0c`), ErrMalformed},
		{"group that does not end", fromHex(t, `0b`), ErrMalformed},
		{"groups nested without end", fromHex(t, deep), ErrMalformed},
		{"eight bytes, six there", fromHex(t, `09 010203040506`), ErrMalformed},
		{"four bytes, two there", fromHex(t, `0d 0102`), ErrMalformed},
		{"broken metric", fromHex(t, `12 01 08`), ErrMalformed},
		{"broken property", fromHex(t, `12 04 4a 02 12 ff`), ErrMalformed},
		{"too large", make([]byte, MaxReceived+1), ErrTooLarge},
		{"too many metrics", []byte(strings.Repeat("\x12\x00", MaxMetrics+1)), ErrTooMany},
		{"too many properties", appendBytesField(nil, 2, appendBytesField(nil, 9, strings.Repeat("\x12\x00", MaxProperties+2))), ErrTooMany},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Decode(tt.bytes)
			require.ErrorIs(t, err, tt.want)
		})
	}
}

func TestDecodeDropsUnequalPropertyArrays(t *testing.T) {
	p, err := Decode(fromHex(t, `12 0a 4a 06 0a016b 0a016c 200b`))
	require.NoError(t, err)
	require.Empty(t, p.Metrics[0].Properties)
}

func TestAppendPanicsOnAProgrammersMistake(t *testing.T) {
	require.Panics(t, func() { (&Payload{Metrics: []Metric{{Type: TypeDouble, Value: "2.5"}}}).Append(nil) })
	require.Panics(t, func() {
		(&Payload{Metrics: []Metric{{Type: TypeBoolean, Value: true, Properties: []Property{{Key: "k", Type: TypeBytes, Value: []byte{1}}}}}}).Append(nil)
	})
}

func FuzzDecode(f *testing.F) {
	for _, g := range golden {
		f.Add(fromHex(f, g.bytes))
	}
	f.Add([]byte("{\"online\":true}"))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := Decode(b)
		if err != nil {
			return
		}
		for _, m := range p.Metrics {
			if v, ok := m.Value.(float64); ok && !finite(v) {
				t.Fatalf("%v left the decoder", v)
			}
			if m.Null && m.Value != nil {
				t.Fatal("null with a value")
			}
		}
		// What was read and written again reads the same.
		first := p.Append(nil)
		q, err := Decode(first)
		if err != nil {
			t.Fatalf("own bytes are refused: %v", err)
		}
		require.Equal(t, first, q.Append(nil))
	})
}

func BenchmarkDecodeFrame(b *testing.B) {
	p := Payload{Timestamp: 1700000000000, HasSeq: true}
	for range 32 {
		p.Metrics = append(p.Metrics, Metric{Name: "Belt/feed_rate_of_line", Timestamp: 1700000000000, Type: TypeDouble, Value: 2.5})
	}
	bytes := p.Append(nil)
	b.SetBytes(int64(len(bytes)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode(bytes); err != nil {
			b.Fatal(err)
		}
	}
}
