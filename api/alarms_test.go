package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3filter"

	"plumbstar/api/alarms"
)

// fakeAlarms remembers what was tried.
type fakeAlarms struct{ tried []string }

func (f *fakeAlarms) List() []alarms.Status {
	return []alarms.Status{
		{Name: "webhook", State: alarms.Retrying, Why: "http://tracker.local answered 500", Target: "http://tracker.local", Queued: 3, Capacity: alarms.Capacity, LastFailure: time.Unix(1.8e9, 0), LastError: "x", Sent: 2, Failed: 5, Dropped: 4, DroppedInfo: 1, HeldBack: 6, Refused: 7},
		{Name: "mqtt", State: alarms.Off, Why: "no broker in [alarms.mqtt]"},
		{Name: "buzzer", State: alarms.Ready, Target: "GPIO18", Connected: true},
	}
}

func (f *fakeAlarms) Try(name string) (alarms.Status, error) {
	f.tried = append(f.tried, name)
	for _, s := range f.List() {
		if s.Name == name && s.State != alarms.Off {
			return s, nil
		}
	}
	return alarms.Status{}, &alarms.OffError{Name: name, Why: "no broker in [alarms.mqtt]"}
}

func TestAlarmResources(t *testing.T) {
	f := &fakeAlarms{}
	openapi3filter.RegisterBodyDecoder("application/problem+json", openapi3filter.JSONBodyDecoder)
	c := newContract(t, start(t, func(o *Options) { o.Alarms, o.Board, o.Watch = f, newFakeBoard(), newFakeWatcher() }))
	w := bearer(c.token(t, RoleWrite))
	w.Set("Content-Type", "application/json")
	l := into[AlarmList](t, c.check(t, 200, http.MethodGet, "/api/v1/alarms", "", nil))
	if len(l.Alarms) != 3 || l.Alarms[0].Queued != 3 || l.Alarms[0].Dropped != 4 || l.Alarms[0].HeldBack != 6 || l.Alarms[1].Why == "" || !l.Alarms[2].Connected {
		t.Errorf("%+v", l)
	}
	if a := into[Alarm](t, c.check(t, 200, http.MethodPost, "/api/v1/alarms/buzzer/try", "", w)); a.Name != "buzzer" {
		t.Errorf("%+v", a)
	}
	if b := c.check(t, 409, http.MethodPost, "/api/v1/alarms/mqtt/try", "", w); !strings.Contains(string(b), `"code":"alarm-off"`) || !strings.Contains(string(b), "[alarms.mqtt]") {
		t.Errorf("off: %s", b)
	}
	if r, _ := c.do(t, http.MethodPost, "/api/v1/alarms/horn/try", "", w); r.StatusCode != 404 {
		t.Errorf("unknown: %d", r.StatusCode)
	}
	none := http.Header{"Content-Type": {"application/json"}}
	c.check(t, 401, http.MethodPost, "/api/v1/alarms/buzzer/try", "", none)
	read := bearer(c.token(t, RoleRead))
	read.Set("Content-Type", "application/json")
	c.check(t, 403, http.MethodPost, "/api/v1/alarms/buzzer/try", "", read)
	if !slices.Equal(f.tried, []string{"buzzer", "mqtt"}) {
		t.Errorf("tried %v", f.tried)
	}
	// Without alarms there is no such resource.
	b := start(t, nil)
	if r, _ := b.do(t, http.MethodGet, "/api/v1/alarms", "", nil); r.StatusCode != 404 {
		t.Errorf("without alarms: %d", r.StatusCode)
	}
}
