package api

import (
	"context"
	"errors"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/api/alarms"
)

// Alarms are the ways in which an alarm leaves the board. *alarms.Alarms is one.
type Alarms interface {
	List() []alarms.Status
	Try(name string) (alarms.Status, error)
}

// AlarmList is how all alarms stand.
type AlarmList struct {
	Alarms []Alarm `json:"alarms" nullable:"false"`
}

// Alarm is one way, and how it stands.
type Alarm struct {
	Name        string `json:"name" enum:"webhook,mqtt,buzzer"`
	State       string `json:"state" enum:"off,ready,sending,retrying,faulty" doc:"off: not set up; retrying: the receiver cannot be reached, what waits is sent later; faulty: something must be corrected"`
	Why         Text   `json:"why" doc:"What is missing or wrong"`
	Target      Text   `json:"target" doc:"Where it goes, without the part of an address that could be secret"`
	Connected   bool   `json:"connected" doc:"To the broker, or to the pin"`
	Queued      int    `json:"queued" doc:"Messages that wait or are on their way"`
	Capacity    int    `json:"capacity" doc:"How many can wait; of more, the oldest of the least severe go"`
	LastSuccess Time   `json:"last_success" doc:"By this machine's clock"`
	LastFailure Time   `json:"last_failure"`
	LastError   Text   `json:"last_error"`
	Sent        uint64 `json:"sent"`
	Failed      uint64 `json:"failed" doc:"Attempts that failed; each message is tried again"`
	Refused     uint64 `json:"refused" doc:"Messages given up because the receiver would not take them"`
	Dropped     uint64 `json:"dropped" doc:"Messages lost because too many waited"`
	DroppedInfo uint64 `json:"dropped_info" doc:"Of these, those of severity info"`
	HeldBack    uint64 `json:"held_back" doc:"Messages below the severity set, or in a quiet time"`
}

type (
	alarmsOutput struct{ Body AlarmList }
	alarmOutput  struct{ Body Alarm }
)

const alarmsPath = "/api/v1/alarms"

func (s *Server) registerAlarms(api huma.API) {
	register(api, s.operation(http.MethodGet, alarmsPath, "get-alarms", "Alarms that leave the board, and how they stand", ""),
		func(context.Context, *struct{}) (*alarmsOutput, error) {
			l := AlarmList{Alarms: []Alarm{}}
			for _, a := range s.o.Alarms.List() {
				l.Alarms = append(l.Alarms, alarmOf(&a))
			}
			return &alarmsOutput{Body: l}, nil
		})
	// A path for each name, because all inputs without a parameter share one
	// compiled handler.
	for _, a := range s.o.Alarms.List() {
		op := s.writing(http.MethodPost, alarmsPath+"/"+a.Name+"/try", "try-"+a.Name, "Try the "+a.Name,
			"Sends a message that says that it is a trial, past severity and quiet times; the buzzer plays each pattern once. "+
				"Whether it arrived shows in the alarm's state soon after. 409 when the alarm is off or faulty.")
		register(api, op, func(context.Context, *struct{}) (*alarmOutput, error) { return s.tryAlarm(a.Name) })
	}
}

func (s *Server) tryAlarm(name string) (*alarmOutput, error) {
	a, err := s.o.Alarms.Try(name)
	if err == nil {
		return &alarmOutput{Body: alarmOf(&a)}, nil
	}
	var off *alarms.OffError
	if errors.As(err, &off) {
		return nil, &refusal{ErrorModel: huma.ErrorModel{Status: http.StatusConflict, Title: http.StatusText(http.StatusConflict), Detail: off.Error()}, Code: "alarm-off"}
	}
	_, err = s.answer("trying the alarm", err)
	return nil, err
}

func alarmOf(a *alarms.Status) Alarm {
	return Alarm{
		Name: a.Name, State: a.State, Why: Text(a.Why), Target: Text(a.Target), Connected: a.Connected,
		Queued: a.Queued, Capacity: a.Capacity, LastSuccess: Time(a.LastSuccess), LastFailure: Time(a.LastFailure), LastError: Text(a.LastError),
		Sent: a.Sent, Failed: a.Failed, Refused: a.Refused, Dropped: a.Dropped, DroppedInfo: a.DroppedInfo, HeldBack: a.HeldBack,
	}
}
