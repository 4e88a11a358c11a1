package nightlog

import (
	"fmt"
	"path/filepath"
	"testing"
)

func names(t *testing.T, l *Log) (out []string) {
	t.Helper()
	list, err := l.KeptAlarms(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range list {
		out = append(out, a.Way+" "+a.Name+" "+a.Message)
	}
	return out
}

// TestKeptAlarms outlast the program, in order, once each.
func TestKeptAlarms(t *testing.T) {
	dir := t.TempDir()
	l := Start(Options{Dir: dir, Opened: system(0)})
	for i := range 3 {
		for _, way := range []string{"webhook", "mqtt"} {
			l.KeepAlarm(KeptAlarm{Way: way, Name: fmt.Sprint(i), Message: "{}"})
		}
	}
	l.KeepAlarm(KeptAlarm{Way: "mqtt", Name: "2", Message: "twice"})
	l.DropAlarm("webhook", "1")
	l.DropAlarm("webhook", "7")
	const want = "[webhook 0 {} mqtt 0 {} mqtt 1 {} webhook 2 {} mqtt 2 {}]"
	if got := fmt.Sprint(names(t, l)); got != want {
		t.Errorf("kept %s", got)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := l.KeptAlarms(t.Context()); err == nil {
		t.Error("a closed log lists alarms")
	}
	l = Start(Options{Dir: dir, Opened: system(0)})
	defer l.Close()
	if got := fmt.Sprint(names(t, l)); got != want {
		t.Errorf("after a restart %s", got)
	}
}

// TestFirstVersion: the file of the version before alarms were kept is read as it
// is, and brought forward with all that it holds.
func TestFirstVersion(t *testing.T) {
	path := t.TempDir() + "/" + FileName
	db, err := openDatabase(t.Context(), path, migrations()[:1])
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.conn.ExecContext(t.Context(), `INSERT INTO nights (name, note) VALUES ('first', '')`); err != nil {
		t.Fatal(err)
	}
	db.close()
	look := func() {
		t.Helper()
		r, err := OpenReader(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if n, err := r.Night(t.Context(), Latest); err != nil || n.Name != "first" {
			t.Errorf("%+v, %v", n, err)
		}
	}
	look()
	l := Start(Options{Dir: path[:len(path)-len(FileName)], Opened: system(0)})
	l.KeepAlarm(KeptAlarm{Way: "mqtt", Name: "1", Message: "{}"})
	if got := names(t, l); len(got) != 1 {
		t.Errorf("kept %v", got)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	look()
	if aside, err := filepath.Glob(path + ".broken*"); err != nil || aside != nil {
		t.Errorf("set aside: %v, %v", aside, err)
	}
}
