package config

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

func (c *checker) alarms(a *Alarms) {
	c.webhook(&a.Webhook)
	c.mqtt(&a.MQTT)
	if a.Buzzer.Active != "high" && a.Buzzer.Active != "low" {
		c.refuse("alarms.buzzer.active", `%.40q: use "high" or "low", the level at which it sounds`, a.Buzzer.Active)
	}
	if len(a.Buzzer.Pin) > 40 || strings.ContainsFunc(a.Buzzer.Pin, func(r rune) bool { return r <= ' ' || r > '~' }) {
		c.refuse("alarms.buzzer.pin", `%.40q is no pin: give a name that the board knows, for example "GPIO18"`, a.Buzzer.Pin)
	}
	for _, s := range []struct {
		section, least, quietLeast string
		quiet                      []string
	}{
		{"webhook", a.Webhook.MinSeverity, a.Webhook.QuietMinSeverity, a.Webhook.Quiet},
		{"mqtt", a.MQTT.MinSeverity, a.MQTT.QuietMinSeverity, a.MQTT.Quiet},
		{"buzzer", a.Buzzer.MinSeverity, a.Buzzer.QuietMinSeverity, a.Buzzer.Quiet},
	} {
		key := "alarms." + s.section
		c.severity(key+".min_severity", s.least, "info", "attention", "moved")
		c.severity(key+".quiet_min_severity", s.quietLeast, "info", "attention", "moved", "never")
		key += ".quiet"
		if len(s.quiet) > 10 {
			c.refuse(key, "%d times: keep at most 10", len(s.quiet))
			continue
		}
		for _, q := range s.quiet {
			if _, err := ParseSpan(q); err != nil {
				c.refuse(key, "%v", err)
			}
		}
	}
}

func (c *checker) severity(key, v string, known ...string) {
	if !slices.Contains(known, v) {
		c.refuse(key, `%.40q: use one of %s ("moved" includes a lost sensor)`, v, strings.Join(known, ", "))
	}
}

// remote is the address of a server. What is wrong is said without repeating
// the text, which may hold a secret.
func (c *checker) remote(key, text string, schemes ...string) {
	like := schemes[0] + "://192.168.1.20"
	if len(text) > 2000 || !utf8.ValidString(text) {
		c.refuse(key, "the address is too long or not readable: give one like %q", like)
		return
	}
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Hostname() == "":
		c.refuse(key, "this is no address: give one like %q", like)
	case !slices.Contains(schemes, u.Scheme):
		c.refuse(key, "scheme %.20q is not spoken: use %s", u.Scheme, strings.Join(schemes, " or "))
	case u.User != nil:
		c.refuse(key, "a password does not belong into the address: use the keys made for it")
	case u.Port() != "":
		if p, err := strconv.ParseUint(u.Port(), 10, 16); err != nil || p == 0 {
			c.refuse(key, "port %.20q: give a number from 1 to 65535", u.Port())
		}
	}
}

func (c *checker) webhook(w *Webhook) {
	c.number("alarms.webhook.timeout_s", w.TimeoutS, 1, 60, "seconds")
	if w.URL != "" {
		c.remote("alarms.webhook.url", w.URL, "http", "https")
	}
	switch w.Auth {
	case NoAuth:
		if w.Secret != "" {
			c.refuse("alarms.webhook.auth", `a secret is given but not used: set auth = "hmac" or "bearer", or remove it`)
		}
	case AuthBearer, AuthHMAC:
		if len(w.Secret) < 8 {
			c.refuse("alarms.webhook.secret", "auth = %q needs a secret of at least 8 characters", w.Auth)
		}
	default:
		c.refuse("alarms.webhook.auth", `%.40q: use "none", "hmac" (a signature of the message) or "bearer" (the secret itself is sent)`, w.Auth)
	}
	if !printable(string(w.Secret)) {
		c.refuse("alarms.webhook.secret", "the secret has characters that a header cannot carry: use letters, digits and punctuation")
	}
}

func (c *checker) mqtt(m *MQTT) {
	if m.Broker != "" {
		c.remote("alarms.mqtt.broker", m.Broker, "mqtt", "mqtts")
		if u, err := url.Parse(m.Broker); err == nil && (strings.Trim(u.Path, "/") != "" || u.RawQuery != "") {
			c.refuse("alarms.mqtt.broker", `a broker has no path: give "mqtt://host:port"`)
		}
	}
	if m.Password != "" && m.User == "" {
		c.refuse("alarms.mqtt.user", "a password is given without a user: give both")
	}
	if !topicLevels(m.Topic) {
		c.refuse("alarms.mqtt.topic", `%.80q: give levels of letters, digits, "_" and "-", for example "field/plumbstar"`, m.Topic)
	}
	if m.DiscoveryPrefix != "" && !topicLevels(m.DiscoveryPrefix) {
		c.refuse("alarms.mqtt.discovery_prefix", `%.80q: give levels of letters, digits, "_" and "-", or "" to announce nothing`, m.DiscoveryPrefix)
	}
}

// topicLevels: no wildcard, no empty level, nothing that a broker may treat
// specially (MQTT 5.0, section 4.7).
func topicLevels(s string) bool {
	if len(s) > 100 {
		return false
	}
	for level := range strings.SplitSeq(s, "/") {
		if level == "" || strings.ContainsFunc(level, func(r rune) bool {
			return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '_' || r == '-')
		}) {
			return false
		}
	}
	return true
}

func printable(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r > '~' })
}
