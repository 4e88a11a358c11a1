package daemon_test

import (
	"testing"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
)

// BenchmarkSecond is one simulated second at 100 Hz of both sensors, the simulated
// chips included, without and with a night log; 1e6 ns are 0.1 % of a core.
func BenchmarkSecond(b *testing.B) {
	for _, logged := range []bool{false, true} {
		name := "bare"
		if logged {
			name = "logged"
		}
		b.Run(name, func(b *testing.B) {
			var l *nightlog.Log
			r := newRig(b, "larkmoor", 3, func(o *daemon.Options) {
				if logged {
					l = nightlog.Start(nightlog.Options{Dir: b.TempDir(), Opened: nightlog.Moment{UTC: o.UTC(0)}})
					o.Journal = l
				}
			})
			r.run(time.Minute)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				r.run(time.Second)
				if logged && i%10 == 9 { // as in real time, a commit every ten seconds
					flush(b, l)
				}
			}
			r.stop()
			if logged {
				_ = l.Close()
			}
		})
	}
}
