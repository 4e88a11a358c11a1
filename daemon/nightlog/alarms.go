package nightlog

import (
	"context"
	"database/sql"
)

// KeptAlarm is an alarm that waits for its receiver.
type KeptAlarm struct {
	Way     string // by which it goes: "webhook", "mqtt"
	Name    string // its own, on that way
	Message string // never empty
}

// mostKept bounds what is read of them; far more than ever wait.
const mostKept = 2000

// KeepAlarm keeps an alarm until DropAlarm, over a restart too. It is committed at
// once.
func (l *Log) KeepAlarm(a KeptAlarm) { l.push(&keepOp{a}, classOther, 1, true) }

// DropAlarm says that the alarm no longer waits. It is committed with the next
// batch: after a power cut before, it waits again.
func (l *Log) DropAlarm(way, name string) {
	l.push(&keepOp{KeptAlarm{Way: way, Name: name}}, classOther, 1, false)
}

// KeptAlarms lists what waits, oldest first.
func (l *Log) KeptAlarms(ctx context.Context) ([]KeptAlarm, error) {
	var o keptOp
	if err := l.wait(ctx, "list the alarms that wait", &o); err != nil {
		return nil, err
	}
	return o.kept, nil
}

type keepOp struct{ KeptAlarm }

func (o *keepOp) apply(t *tx) error {
	query := `INSERT OR IGNORE INTO alarms (way, name, message) VALUES (?,?,?)`
	args := []any{o.Way, o.Name, o.Message}
	if o.Message == "" {
		query, args = `DELETE FROM alarms WHERE way = ? AND name = ?`, args[:2]
	}
	_, err := t.conn.ExecContext(t.ctx, query, args...)
	return err
}

type keptOp struct{ kept []KeptAlarm }

func (o *keptOp) apply(t *tx) (err error) {
	o.kept, err = keptAlarms(t.ctx, t.conn)
	return err
}

type rowQuerier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func keptAlarms(ctx context.Context, q rowQuerier) (out []KeptAlarm, err error) {
	err = each(ctx, q, func(rows *sql.Rows) error {
		var a KeptAlarm
		if err := rows.Scan(&a.Way, &a.Name, &a.Message); err != nil {
			return err
		}
		out = append(out, a)
		return nil
	}, `SELECT way, name, message FROM alarms ORDER BY id LIMIT ?`, mostKept)
	return out, err
}
