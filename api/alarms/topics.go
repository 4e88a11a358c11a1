package alarms

import (
	"encoding/json"

	"plumbstar/daemon/config"
)

// What the status topic says.
const (
	online  = "online"
	offline = "offline"
)

// topics are those of one board, and what is said there.
type topics struct {
	status, state, eventTopic string
	prefix, id, version       string
}

func newTopics(set config.MQTT, id, version string) topics {
	return topics{
		status: set.Topic + "/status", state: set.Topic + "/state", eventTopic: set.Topic + "/event",
		prefix: set.DiscoveryPrefix, id: id, version: version,
	}
}

// event is a message with the key that home automation expects of an event.
func (t topics) event(m Message) ([]byte, error) {
	if m.Numbers == nil {
		m.Numbers = map[string]float64{}
	}
	body, err := m.body()
	if err != nil {
		return nil, err
	}
	kind, err := json.Marshal(m.Severity)
	if err != nil {
		return nil, err
	}
	out := append([]byte(`{"event_type":`), kind...)
	return append(append(out, ','), body[1:]...), nil
}

// announcement is one retained message.
type announcement struct {
	topic   string
	payload []byte
}

// device describes the board in each announcement.
type device struct {
	Identifiers []string `json:"identifiers"`
	Name        string   `json:"name"`
	Version     string   `json:"sw_version"`
}

type origin struct {
	Name    string `json:"name"`
	Version string `json:"sw_version"`
}

// entity is one thing that home automation shows. The convention is that of
// single-component discovery: PREFIX/COMPONENT/NODE/OBJECT/config, read in its
// public documentation.
type entity struct {
	component, object string

	Name           string   `json:"name"`
	UniqueID       string   `json:"unique_id"`
	StateTopic     string   `json:"state_topic"`
	Template       string   `json:"value_template,omitempty"`
	Attributes     string   `json:"json_attributes_topic,omitempty"`
	Unit           string   `json:"unit_of_measurement,omitempty"`
	Class          string   `json:"device_class,omitempty"`
	StateClass     string   `json:"state_class,omitempty"`
	PayloadOn      string   `json:"payload_on,omitempty"`
	PayloadOff     string   `json:"payload_off,omitempty"`
	EventTypes     []string `json:"event_types,omitempty"`
	Availability   string   `json:"availability_topic"`
	Device         device   `json:"device"`
	Origin         origin   `json:"origin"`
	QualityService int      `json:"qos"`
}

// announcements are what home automation looks for; none without a prefix.
func (t topics) announcements() ([]announcement, error) {
	if t.prefix == "" {
		return nil, nil
	}
	entities := []entity{
		{component: "sensor", object: "state", Name: "State", StateTopic: t.state, Template: "{{ value_json.state }}", Attributes: t.state},
		{component: "sensor", object: "error", Name: "Distance from the pole", StateTopic: t.state, Template: "{{ value_json.error_deg }}", Unit: "°", StateClass: "measurement"},
		{component: "sensor", object: "move", Name: "Move", StateTopic: t.state, Template: "{{ value_json.text }}"},
		{component: "binary_sensor", object: "trouble", Name: "Trouble", StateTopic: t.state, Template: "{{ value_json.trouble }}",
			Class: "problem", PayloadOn: "yes", PayloadOff: "no"},
		{component: "event", object: "alarm", Name: "Alarm", StateTopic: t.eventTopic, EventTypes: []string{info, attention, moved, sensorLost}},
	}
	var out []announcement
	for _, e := range entities {
		e.UniqueID = t.id + "_" + e.object
		e.Availability = t.status
		e.Device = device{Identifiers: []string{t.id}, Name: "plumbstar", Version: t.version}
		e.Origin = origin{Name: "plumbstar", Version: t.version}
		e.QualityService = 1
		payload, err := json.Marshal(e)
		if err != nil {
			return nil, err
		}
		out = append(out, announcement{t.prefix + "/" + e.component + "/" + t.id + "/" + e.object + "/config", payload})
	}
	return out, nil
}
