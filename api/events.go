package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/daemon"
)

// Event is something that happened, in the shape that this API, its streams and
// whoever passes events on share.
type Event struct {
	ID       uint64            `json:"id" doc:"Counts from 1 since the start of the program"`
	Time     Time              `json:"time" doc:"UTC; null when the clock could not be right"`
	Began    Time              `json:"began" doc:"When what it is about began"`
	Kind     string            `json:"kind" doc:"Stable name: knock, slip, creep, nudge, roll, head-stopped, shaking, field-change, gap, sensor-lost, sensor-found, watch-armed, night-began and others"`
	Severity string            `json:"severity" enum:"info,attention,moved,sensor-lost"`
	Text     string            `json:"text"`
	Numbers  map[string]Number `json:"numbers" doc:"Keys end in the unit; the 1 sigma of size_deg is size_sigma_deg"`
	Finding  int               `json:"finding" doc:"Joins the reports about one finding of the watch, of which a later one takes the place of those before; 0 for other events"`
	Final    bool              `json:"final" doc:"The last report about the finding"`
	Quiet    bool              `json:"quiet" doc:"In the quiet hours: make no noise"`
	Trial    bool              `json:"trial" doc:"Somebody only tries the alarm"`
	Missed   uint64            `json:"missed" doc:"Events before this one that came too late for this reader of a stream"`
}

// EventFrom is the JSON shape of an event.
func EventFrom(e *daemon.Event) Event {
	out := Event{
		ID: e.ID, Kind: e.Kind, Severity: string(e.Severity), Text: e.Text, Numbers: make(map[string]Number, len(e.Numbers)),
		Finding: e.Finding, Final: e.Final, Quiet: e.Quiet, Trial: e.Trial, Missed: e.Missed,
	}
	if e.TimeSure {
		out.Time, out.Began = Time(e.Time), Time(e.Time.Add(e.Began-e.Mono))
	}
	for k, v := range e.Numbers {
		out.Numbers[k] = Known(v)
	}
	return out
}

func eventsOf(list []daemon.Event) []Event {
	out := make([]Event, 0, len(list))
	for i := range list {
		out = append(out, EventFrom(&list[i]))
	}
	return out
}

// EventList is a part of the newest events.
type EventList struct {
	Events []Event `json:"events" nullable:"false" doc:"Oldest first"`
	Last   uint64  `json:"last" doc:"ID of the last one here, or what was asked after: ask after it for more"`
}

type (
	eventsInput struct {
		After uint64 `query:"after" doc:"Only events after the one with this ID; one that was not reached since the start of the program counts as 0"`
		Limit int    `query:"limit" minimum:"1" maximum:"256" default:"100"`
	}
	eventsOutput struct{ Body EventList }
)

const (
	eventsPath       = "/api/v1/events"
	eventsStreamPath = eventsPath + "/stream"
)

func (s *Server) registerEvents(api huma.API) {
	op := s.operation(http.MethodGet, eventsPath, "get-events", "What happened since the program started",
		"The newest 256 are kept here; those of whole nights are in the night log.")
	op.Errors = append(op.Errors, http.StatusUnprocessableEntity)
	register(api, op, func(_ context.Context, in *eventsInput) (*eventsOutput, error) {
		list := EventList{Events: eventsOf(s.o.Watch.RecentEvents(in.After, in.Limit)), Last: in.After}
		if n := len(list.Events); n > 0 {
			list.Last = list.Events[n-1].ID
		}
		return &eventsOutput{Body: list}, nil
	})
	ref := api.OpenAPI().Components.Schemas.Schema(typeOf[Event](), true, "Event").Ref
	stream := s.operation(http.MethodGet, eventsStreamPath, "follow-events", "Follow what happens live",
		"Server-sent events named `happened`. Each `data:` line is one object of "+ref+" and each `id:` its ID: a reader that comes back with Last-Event-ID, or asks ?after=ID, "+
			"gets what it missed. Without either it gets what is kept. A comment line at least once a second. The guidance stream carries the same events when it is asked with ?events=ID, or ?events=new for those that are still to come.")
	stream.Parameters = []*huma.Param{{Name: "after", In: "query", Description: "As of the list", Schema: &huma.Schema{Type: huma.TypeInteger}}}
	stream.Responses = map[string]*huma.Response{
		"200": {Description: "The stream", Content: map[string]*huma.MediaType{"text/event-stream": {Schema: &huma.Schema{Type: huma.TypeString}}}},
	}
	document(api, stream, http.StatusBadRequest, http.StatusServiceUnavailable)
}

// happened is an event as it goes over a stream. The one of the guidance stream
// has no id, which there counts guidance.
func happened(e *daemon.Event, withID bool) []byte {
	data, err := json.Marshal(EventFrom(e))
	if err != nil { // not reached: every part of it can be written
		return nil
	}
	b := []byte("event: happened\n")
	if withID {
		b = fmt.Appendf(b, "id: %d\n", e.ID)
	}
	b = append(append(append(b, "data: "...), data...), "\n\n"...)
	return b
}

// eventStream is GET /api/v1/events/stream.
func (s *Server) eventStream(w http.ResponseWriter, r *http.Request) {
	from := r.URL.Query().Get("after")
	if last := r.Header.Get("Last-Event-ID"); last != "" {
		from = last
	}
	after, ok := eventID(w, from)
	if !ok {
		return
	}
	send, closed := s.openStream(w, r)
	if send == nil {
		return
	}
	defer closed()
	events := s.o.Watch.Events(r.Context(), after)
	if !send([]byte("retry: 1000\n\n")) {
		return
	}
	beat := time.NewTicker(s.o.Heartbeat)
	defer beat.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-s.stop:
			return
		case <-beat.C:
			if !send([]byte(": beat\n\n")) {
				return
			}
		case e, open := <-events:
			if !open || !send(happened(&e, true)) {
				return
			}
		}
	}
}

// eventsAfter reads what a guidance stream was asked for: the ID of an event, or
// "new" for those that are still to come.
func (s *Server) eventsAfter(w http.ResponseWriter, text string) (id uint64, ok bool) {
	if text != "new" {
		return eventID(w, text)
	}
	if list := s.o.Watch.RecentEvents(0, maxEvents); len(list) > 0 {
		id = list[len(list)-1].ID
	}
	return id, true
}

// maxEvents is how many events a list holds at most, as many as the daemon keeps.
const maxEvents = 256

// eventID reads an ID that may be absent, or answers that it is none.
func eventID(w http.ResponseWriter, text string) (id uint64, ok bool) {
	if text == "" {
		return 0, true
	}
	id, err := strconv.ParseUint(text, 10, 53)
	if err != nil {
		problem(w, http.StatusBadRequest, fmt.Sprintf("event ID %.40q: give the number of an event, or leave it out", text))
		return 0, false
	}
	return id, true
}
