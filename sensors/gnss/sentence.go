package gnss

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
)

// MaxSentence is the longest sentence that is read, in bytes without the line
// end. The standard allows 80; receivers with many decimals exceed it.
const MaxSentence = 200

// What can be wrong with a line; ParseSentence wraps one of them.
var (
	ErrNoSentence = errors.New("no NMEA 0183 sentence")
	ErrChecksum   = errors.New("checksum differs: the line was damaged")
	ErrField      = errors.New("field out of form or range")
)

// Sentence is one NMEA 0183 sentence whose checksum is right.
type Sentence struct {
	Talker string   // "GP", "GN", …
	Kind   string   // "GGA", "RMC", …
	Fields []string // those after the address; may be empty texts
}

// ParseSentence reads one line, with or without its line end. Bytes before the
// "$", as they remain of a sentence that was cut, are skipped. A sentence
// without checksum is refused: on a serial line a digit is lost unnoticed.
//
// Form: NMEA 0183 as described publicly in E. S. Raymond's "NMEA Revealed".
func ParseSentence(line []byte) (Sentence, error) {
	line = bytes.TrimRight(line, "\r\n")
	if i := bytes.LastIndexByte(line, '$'); i > 0 {
		line = line[i:]
	}
	if len(line) < len("$GPGGA*00") || line[0] != '$' || len(line) > MaxSentence {
		return Sentence{}, fmt.Errorf("%w: %.20q", ErrNoSentence, line)
	}
	body, sum := line[1:len(line)-3], line[len(line)-3:]
	want, ok := hexByte(sum[1], sum[2])
	if sum[0] != '*' || !ok {
		return Sentence{}, fmt.Errorf("%w: %.20q does not end in *hh", ErrNoSentence, line)
	}
	var have byte
	for _, c := range body {
		if c < 0x20 || c > 0x7e {
			return Sentence{}, fmt.Errorf("%w: byte 0x%02x inside", ErrNoSentence, c)
		}
		have ^= c
	}
	if have != want {
		return Sentence{}, fmt.Errorf("%w: %.10s says %02X, is %02X", ErrChecksum, body, want, have)
	}
	parts := strings.Split(string(body), ",")
	address := parts[0]
	if strings.HasPrefix(address, "P") {
		return Sentence{Kind: address, Fields: parts[1:]}, nil // proprietary: nothing that is decoded
	}
	if len(address) != 5 {
		return Sentence{}, fmt.Errorf("%w: address %.10q", ErrNoSentence, address)
	}
	return Sentence{Talker: address[:2], Kind: address[2:], Fields: parts[1:]}, nil
}

// Satellite reports whether the talker is a satellite receiver: GPS, combined,
// GLONASS, Galileo, BeiDou (two spellings), QZSS (two) or NavIC. Other
// instruments send the same kinds of sentence, with values of their own making.
func (s *Sentence) Satellite() bool {
	switch s.Talker {
	case "GP", "GN", "GL", "GA", "GB", "BD", "GQ", "QZ", "GI":
		return true
	}
	return false
}

func hexByte(hi, lo byte) (byte, bool) {
	h, ok1 := hexDigit(hi)
	l, ok2 := hexDigit(lo)
	return h<<4 | l, ok1 && ok2
}

func hexDigit(c byte) (byte, bool) {
	switch {
	case c >= '0' && c <= '9':
		return c - '0', true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10, true
	}
	return 0, false
}
