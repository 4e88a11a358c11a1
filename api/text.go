package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"
)

// printable keeps what a person typed to one line: no line ends, no controls, no
// marks that turn the direction of writing.
func printable(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, s))
}

// Text is a JSON string that is null when empty.
type Text string

// MarshalJSON writes the string or null.
func (t Text) MarshalJSON() ([]byte, error) { return t.append(nil), nil }

// UnmarshalJSON reads a string or null.
func (t *Text) UnmarshalJSON(b []byte) error {
	var s *string
	if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	*t = ""
	if s != nil {
		*t = Text(*s)
	}
	return nil
}

// Schema describes the type in the OpenAPI document.
func (Text) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeString, Nullable: true}
}

func (t Text) append(b []byte) []byte {
	if t == "" {
		return append(b, "null"...)
	}
	return appendString(b, string(t))
}

// Time is a UTC time of day and date, RFC 3339 with milliseconds; null when zero.
type Time time.Time

const timeLayout = "2006-01-02T15:04:05.000Z"

// MarshalJSON writes the time or null.
func (t Time) MarshalJSON() ([]byte, error) { return t.append(nil), nil }

// UnmarshalJSON reads an RFC 3339 time or null.
func (t *Time) UnmarshalJSON(b []byte) error {
	*t = Time{}
	if bytes.Equal(b, []byte("null")) {
		return nil
	}
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	v, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return fmt.Errorf("time %q: give RFC 3339, for example 2026-01-31T21:45:00Z", s)
	}
	*t = Time(v.UTC())
	return nil
}

// Schema describes the type in the OpenAPI document.
func (Time) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeString, Format: "date-time", Nullable: true}
}

// append writes null for what RFC 3339 cannot express.
func (t Time) append(b []byte) []byte {
	v := time.Time(t).UTC()
	if v.IsZero() || v.Year() < 1 || v.Year() > 9999 {
		return append(b, "null"...)
	}
	b = append(b, '"')
	b = v.AppendFormat(b, timeLayout)
	return append(b, '"')
}

// appendString adds s as a JSON string. Text without characters that need an
// escape, which is nearly all of ours, is copied; the rest goes the long way.
func appendString(b []byte, s string) []byte {
	for i := 0; i < len(s); i++ {
		if c := s[i]; c < 0x20 || c == '"' || c == '\\' {
			return appendEscaped(b, s)
		}
	}
	if !utf8.ValidString(s) {
		return appendEscaped(b, s)
	}
	b = append(b, '"')
	b = append(b, s...)
	return append(b, '"')
}

func appendEscaped(b []byte, s string) []byte {
	q, err := json.Marshal(s)
	if err != nil { // no string makes Marshal fail
		return append(b, `""`...)
	}
	return append(b, q...)
}
