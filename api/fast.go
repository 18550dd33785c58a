package api

import (
	"strconv"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "dewbench/proto/dewbench/v1"
)

// The list of what is due is asked most, and protojson, which reflects, would take half
// of the time of it. So it is written by hand; a test makes sure that it is what protojson
// writes.

// fastJSON returns the JSON of a message that is written by hand. ok is false for all
// others.
func fastJSON(v any) (text []byte, ok bool) {
	m, ok := v.(*pb.ListDueFeedingsResponse)
	if !ok || len(m.ProtoReflect().GetUnknown()) > 0 {
		return nil, false
	}
	// A row takes about a kilobyte.
	b := make([]byte, 0, 1024*(1+len(m.GetDueFeedings())))
	b = append(b, `{"dueFeedings":[`...)
	for i, row := range m.GetDueFeedings() {
		b = appendDueFeeding(comma(b, i), row)
	}
	b = appendText(append(b, `],"nextPageToken":`...), m.GetNextPageToken())
	b = appendMaybe(b, `,"asOfDate":`, m.AsOfDate)
	b = append(b, `,"totals":[`...)
	for i, t := range m.GetTotals() {
		b = appendEnum(append(comma(b, i), `{"status":`...), t.GetStatus())
		b = strconv.AppendInt(append(b, `,"plants":`...), int64(t.GetPlants()), 10)
		b = strconv.AppendInt(append(b, `,"traps":"`...), t.GetTraps(), 10) // 64 bits are text
		b = append(b, `"}`...)
	}
	return append(b, `]}`...), true
}

func appendDueFeeding(b []byte, m *pb.DueFeeding) []byte {
	b = appendText(append(b, `{"plant":`...), m.GetPlant())
	b = appendText(append(b, `,"key":`...), m.GetKey())
	b = appendText(append(b, `,"tag":`...), m.GetTag())
	b = appendText(append(b, `,"scientificName":`...), m.GetScientificName())
	b = appendText(append(b, `,"bench":`...), m.GetBench())
	b = appendEnum(append(b, `,"status":`...), m.GetStatus())
	b = appendMaybe(b, `,"coverDate":`, m.CoverDate)
	b = appendMaybe(b, `,"dueFromDate":`, m.DueFromDate)
	b = appendMaybe(b, `,"dueLastDate":`, m.DueLastDate)
	b = appendMaybe(b, `,"feedDate":`, m.FeedDate)
	b = strconv.AppendInt(append(b, `,"traps":`...), int64(m.GetTraps()), 10)
	if m.MaxItemLengthMm != nil {
		b = strconv.AppendFloat(append(b, `,"maxItemLengthMm":`...), m.GetMaxItemLengthMm(), 'g', -1, 64)
	}
	b = append(b, `,"foods":[`...)
	for i, food := range m.GetFoods() {
		b = appendText(comma(b, i), food)
	}
	b = append(b, `],"instructions":[`...)
	for i, instruction := range m.GetInstructions() {
		b = appendEnum(comma(b, i), instruction)
	}
	b = append(b, `],"reasons":[`...)
	for i, r := range m.GetReasons() {
		b = appendEnum(append(comma(b, i), `{"code":`...), r.GetCode())
		b = appendText(append(b, `,"message":`...), r.GetMessage())
		b = appendMaybe(b, `,"fromDate":`, r.FromDate)
		b = appendMaybe(b, `,"untilDate":`, r.UntilDate)
		b = append(b, '}')
	}
	b = appendText(append(b, `],"asOfDate":`...), m.GetAsOfDate())
	b = appendText(append(b, `,"cultivar":`...), m.GetCultivar())
	return append(b, '}')
}

// comma parts what stands at index i of a list from what is before it.
func comma(b []byte, i int) []byte {
	if i > 0 {
		return append(b, ',')
	}
	return b
}

// appendMaybe adds a field that may be absent.
func appendMaybe(b []byte, name string, text *string) []byte {
	if text == nil {
		return b
	}
	return appendText(append(b, name...), *text)
}

// appendEnum adds the name of a value, or the number of one that has none.
func appendEnum(b []byte, v protoreflect.Enum) []byte {
	value := v.Descriptor().Values().ByNumber(v.Number())
	if value == nil {
		return strconv.AppendInt(b, int64(v.Number()), 10)
	}
	return append(append(append(b, '"'), value.Name()...), '"')
}

// appendText adds a text as RFC 8259, section 7 writes it. Bytes that are no UTF-8, which
// no message holds, become U+FFFD.
func appendText(b []byte, text string) []byte {
	b = append(b, '"')
	for i := 0; i < len(text); {
		switch c := text[i]; {
		case c >= utf8.RuneSelf:
			r, n := utf8.DecodeRuneInString(text[i:])
			b = utf8.AppendRune(b, r)
			i += n
			continue
		case c == '"' || c == '\\':
			b = append(b, '\\', c)
		case c < ' ':
			const digits = "0123456789abcdef"
			b = append(b, '\\', 'u', '0', '0', digits[c>>4], digits[c&15])
		default:
			b = append(b, c)
		}
		i++
	}
	return append(b, '"')
}
