package config_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"testing"

	"plumbstar/daemon/config"
)

// TestSecretsAreNotShown: by no way in which settings could be printed, and not
// in an error about them.
func TestSecretsAreNotShown(t *testing.T) {
	const word = "larkmoor-owl-77"
	text := "[alarms.webhook]\nurl = 'https://tracker.local/hook'\nauth = 'hmac'\nsecret = '" + word + "'\n[alarms.mqtt]\nuser = 'x'\npassword = '" + word + "'\n"
	s, err := config.Parse("x", []byte(text), config.Chips{})
	if err != nil {
		t.Fatal(err)
	}
	if s.Alarms.Webhook.Secret.Reveal() != word || s.Alarms.MQTT.Password.Reveal() != word {
		t.Fatal("the secret was not read")
	}
	var out bytes.Buffer
	slog.New(slog.NewTextHandler(&out, nil)).Info("x", "secret", s.Alarms.Webhook.Secret, "all", s.Alarms)
	slog.New(slog.NewJSONHandler(&out, nil)).Info("x", "secret", s.Alarms.Webhook.Secret, "all", s)
	fmt.Fprintf(&out, "%v %+v %#v %s %q %x", s, s, s, s.Alarms.MQTT.Password, s.Alarms.MQTT.Password, s.Alarms.MQTT.Password)
	j, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	out.Write(j)
	for _, bad := range []string{"https://:" + word + "@x", "https://x:" + word, word, "ftp://x/" + word, "https://x/\\u0000" + word, "://" + word} {
		if _, err := config.Parse("x", []byte("[alarms.webhook]\nurl = \""+bad+"\""), config.Chips{}); err != nil && !strings.Contains(bad, "https://x:") {
			out.WriteString(err.Error())
		}
	}
	if strings.Contains(out.String(), word) || strings.Contains(out.String(), fmt.Sprintf("%x", word)) {
		t.Errorf("the secret is shown: %s", out.String())
	}
	if !strings.Contains(out.String(), "(secret)") {
		t.Error("nothing says that there is one")
	}
}

func TestSpan(t *testing.T) {
	for text, holds := range map[string][3]bool{ // at 23:00, 06:59, 12:00
		"22:00-07:00": {true, true, false},
		"00:00-12:00": {false, true, false},
		"12:00-23:59": {true, false, true},
	} {
		s, err := config.ParseSpan(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := [3]bool{s.Holds(23 * 60), s.Holds(6*60 + 59), s.Holds(12 * 60)}; got != holds {
			t.Errorf("%s: %v, want %v", text, got, holds)
		}
	}
	for _, bad := range []string{"", "-", "22:00", "22:00-", "22:00-22:00", "7:00-08:00", "24:00-08:00", "22:60-08:00", "-1:00-08:00", "22:00–07:00"} {
		if s, err := config.ParseSpan(bad); err == nil {
			t.Errorf("%q passes as %v", bad, s)
		}
	}
}
