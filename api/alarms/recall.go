package alarms

import (
	"context"
	"encoding/json"
	"time"
)

// recallTime is how long the list of what waits may take: a card that tidies up can
// take seconds.
const recallTime = 10 * time.Second

// recall lets wait again what an earlier start of the program could not deliver, in
// its order. What cannot be sent any more is told as lost.
func (a *Alarms) recall() {
	keeper := a.o.Keeper
	if keeper == nil {
		return
	}
	couriers, faulty := map[string]*courier{}, map[string]bool{}
	for _, x := range a.all {
		faulty[x.name] = x.faulty
		if x.courier != nil {
			x.courier.keeper = keeper
			couriers[x.name] = x.courier
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), recallTime)
	defer cancel()
	kept, err := keeper.KeptAlarms(ctx)
	if err != nil {
		a.o.Log.Error("alarms of an earlier start cannot be read: those that were not delivered may be lost", "error", err)
		return
	}
	waiting := 0
	for _, k := range kept {
		var m Message
		err := json.Unmarshal([]byte(k.Message), &m)
		c := couriers[k.Way]
		switch {
		case err != nil || m.ID != k.Name:
			a.o.Log.Error("an alarm of an earlier start is lost: it was damaged", "alarm", k.Way, "id", k.Name)
			keeper.DropAlarm(k.Way, k.Name)
		case c != nil:
			waiting++
			if gone := c.queue.put(m); gone != "" {
				c.drop(gone)
			}
		case !faulty[k.Way]: // what is faulty may work after the next start
			a.o.Log.Warn("an alarm of an earlier start is not sent any more: this way is off now", "alarm", k.Way, "id", m.ID, "text", m.Text)
			keeper.DropAlarm(k.Way, k.Name)
		}
	}
	if waiting > 0 {
		a.o.Log.Info("alarms of an earlier start wait for their receivers", "waiting", waiting)
	}
}
