package config

import (
	"fmt"
	"log/slog"
	"strconv"
	"strings"
)

// Alarms are the ways in which an alarm leaves the board; all are off unless set.
type Alarms struct {
	Webhook Webhook `toml:"webhook"`
	MQTT    MQTT    `toml:"mqtt"`
	Buzzer  Buzzer  `toml:"buzzer"`
}

// Webhook posts each alarm to a server.
type Webhook struct {
	URL string `toml:"url"` // http or https; empty: off
	// Auth is how the receiver knows that it was us: NoAuth, AuthBearer or AuthHMAC.
	Auth     string  `toml:"auth"`
	Secret   Secret  `toml:"secret"`
	CAFile   string  `toml:"ca_file"`
	TimeoutS float64 `toml:"timeout_s"`

	MinSeverity      string   `toml:"min_severity"`
	Quiet            []string `toml:"quiet"`
	QuietMinSeverity string   `toml:"quiet_min_severity"`
}

// Ways of Webhook.Auth.
const (
	NoAuth     = "none"
	AuthBearer = "bearer"
	AuthHMAC   = "hmac"
)

// MQTT publishes state and alarms at a broker.
type MQTT struct {
	Broker   string `toml:"broker"` // mqtt://host[:port] or mqtts://host[:port]; empty: off
	User     string `toml:"user"`
	Password Secret `toml:"password"`
	CAFile   string `toml:"ca_file"`
	// Topic begins every topic of this board.
	Topic string `toml:"topic"`
	// DiscoveryPrefix begins the topics that announce the board to home
	// automation; empty: it is not announced.
	DiscoveryPrefix string `toml:"discovery_prefix"`

	MinSeverity      string   `toml:"min_severity"`
	Quiet            []string `toml:"quiet"`
	QuietMinSeverity string   `toml:"quiet_min_severity"`
}

// Buzzer is a buzzer or light at a pin of the board.
type Buzzer struct {
	Pin    string `toml:"pin"`    // a name that the board knows, for example "GPIO18"; empty: off
	Active string `toml:"active"` // the level that sounds: "high" or "low"
	// Guide lets it lead the hand while the tracker is being moved.
	Guide bool `toml:"guide"`

	MinSeverity      string   `toml:"min_severity"`
	Quiet            []string `toml:"quiet"`
	QuietMinSeverity string   `toml:"quiet_min_severity"`
}

func defaultAlarms() Alarms {
	return Alarms{
		Webhook: Webhook{Auth: NoAuth, TimeoutS: 10, MinSeverity: "attention", Quiet: []string{}, QuietMinSeverity: "moved"},
		MQTT:    MQTT{Topic: "plumbstar", DiscoveryPrefix: "homeassistant", MinSeverity: "info", Quiet: []string{}, QuietMinSeverity: "moved"},
		Buzzer:  Buzzer{Active: "high", MinSeverity: "attention", Quiet: []string{}, QuietMinSeverity: "moved"},
	}
}

// Secret is text that is neither logged nor shown.
type Secret string

const hidden = "(secret)"

// Reveal is the text itself, for the one place that needs it.
func (s Secret) Reveal() string { return string(s) }

// String hides the text.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return hidden
}

// GoString hides the text.
func (s Secret) GoString() string { return strconv.Quote(s.String()) }

// MarshalText hides the text.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// LogValue hides the text.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// Span is a time of day from From up to To, minutes after local midnight; it may
// reach over midnight.
type Span struct{ From, To int }

// Holds reports whether the minute of the day lies in the span.
func (s Span) Holds(minute int) bool {
	if s.From <= s.To {
		return minute >= s.From && minute < s.To
	}
	return minute >= s.From || minute < s.To
}

// ParseSpan reads "22:00-07:00".
func ParseSpan(text string) (Span, error) {
	from, to, ok := strings.Cut(text, "-")
	a, okA := minuteOfDay(from)
	b, okB := minuteOfDay(to)
	if !ok || !okA || !okB || a == b {
		return Span{}, fmt.Errorf(`%.40q is no time of day: give from and to, for example "22:00-07:00"`, text)
	}
	return Span{a, b}, nil
}

func minuteOfDay(s string) (int, bool) {
	s = strings.TrimSpace(s)
	if len(s) != 5 || s[2] != ':' {
		return 0, false
	}
	h, errH := strconv.ParseUint(s[:2], 10, 8)
	m, errM := strconv.ParseUint(s[3:], 10, 8)
	if errH != nil || errM != nil || h > 23 || m > 59 {
		return 0, false
	}
	return int(h)*60 + int(m), true
}
