package deploy_test

import (
	"strings"
	"testing"
)

// The checker itself: each rule is broken once and must be named, and what the
// rules allow must pass.
func TestLayerCheckerSeesEachViolation(t *testing.T) {
	imp := func(paths ...string) string {
		return "package p\nimport (\n\t_ \"" + strings.Join(paths, "\"\n\t_ \"") + "\"\n)\n"
	}
	for _, c := range []struct {
		name, dir, file, src string
		want                 string // "" = allowed
	}{
		{"cmd may skip ahead", "cmd/plumbstar", "a.go", imp("plumbstar/sensors/sim", "plumbstar/astro", "plumbstar/api"), ""},
		{"api on daemon", "api", "a.go", imp("plumbstar/daemon", "plumbstar/daemon/nightlog"), ""},
		{"daemon on api", "daemon", "a.go", imp("plumbstar/api"), "arrows point"},
		{"daemon's test on api", "daemon", "a_test.go", imp("plumbstar/api"), "arrows point"},
		{"api on cmd", "api", "a.go", imp("plumbstar/cmd/plumbstar"), "arrows point"},
		{"sensors on astro", "sensors/calib", "a.go", imp("plumbstar/astro/geomag"), "arrows point"},
		{"astro on sensors", "astro/pole", "a.go", imp("plumbstar/sensors"), "arrows point"},
		{"astro's test on sensors", "astro/pole", "a_test.go", imp("plumbstar/sensors/calib"), "arrows point"},
		{"sensors on daemon", "sensors/recorded", "a.go", imp("plumbstar/daemon/config"), "arrows point"},
		{"subpackage on its root", "astro/sky", "a.go", imp("plumbstar/astro"), ""},
		{"siblings", "astro/pole", "a.go", imp("plumbstar/astro/sky"), "siblings stay apart"},
		{"siblings in a test", "astro/pole", "a_test.go", imp("plumbstar/astro/sky"), ""},
		{"root on its child", "sensors", "a.go", imp("plumbstar/sensors/calib"), "siblings stay apart"},
		{"daemon on its children", "daemon", "a.go", imp("plumbstar/daemon/estimator", "plumbstar/daemon/config"), ""},
		{"child of daemon on its root", "daemon/watch", "a.go", imp("plumbstar/daemon"), "siblings stay apart"},
		{"guidance on estimator", "daemon/guidance", "a.go", imp("plumbstar/daemon/estimator"), ""},
		{"nightlog on estimator", "daemon/nightlog", "a.go", imp("plumbstar/daemon/estimator"), "siblings stay apart"},
		{"estimator on guidance", "daemon/estimator", "a.go", imp("plumbstar/daemon/guidance"), "siblings stay apart"},
		{"page on its root", "api", "a.go", imp("plumbstar/api/web"), ""},
		{"driver on sim", "sensors/lsm6dso", "a.go", imp("plumbstar/sensors/sim"), "siblings stay apart"},
		{"driver's test on sim", "sensors/lsm6dso", "a_test.go", imp("plumbstar/sensors/sim", "plumbstar/sensors/sensortest"), ""},
		{"sim on a driver", "sensors/sim", "a.go", imp("plumbstar/sensors/lsm6dso"), "written apart"},
		{"sim's test on a driver", "sensors/sim", "a_test.go", imp("plumbstar/sensors/lsm6dso"), "written apart"},
		{"contract outside tests", "cmd/plumbstar", "a.go", imp("plumbstar/sensors/sensortest"), "only tests may"},
		{"scenario from cmd", "cmd/plumbstar", "a.go", imp("plumbstar/daemon/scenario"), ""},
		{"scenario from daemon's test", "daemon", "a_test.go", imp("plumbstar/daemon/scenario"), ""},
		{"scenario from daemon", "daemon", "a.go", imp("plumbstar/daemon/scenario"), "only tests and cmd"},
		{"scenario from api", "api", "a.go", imp("plumbstar/daemon/scenario"), "only tests and cmd"},
		{"rig on simulated chips", "deploy/rig/guest", "a.go", imp("plumbstar/sensors/sim", "plumbstar/daemon/scenario", "plumbstar/deploy/rig/usbip"), ""},
		{"rig on the program", "deploy/rig/guest", "a.go", imp("plumbstar/api"), "from outside"},
		{"rig on a driver", "deploy/rig/usbip", "a.go", imp("plumbstar/sensors/lsm6dso"), "from outside"},
		{"program on the rig", "cmd/plumbstar", "a.go", imp("plumbstar/deploy/rig/usbip"), "arrows point"},
		{"outside the layers", "tools", "a.go", "package tools\n", "belong below"},
		{"util", "daemon/util", "a.go", "package util\n", "no subject"},

		{"host in cmd", "cmd/plumbstar", "a.go", imp("periph.io/x/host/v3"), ""},
		{"host in a driver", "sensors/lsm6dso", "a.go", imp("periph.io/x/host/v3/sysfs"), "border is cmd"},
		{"devices in a driver", "sensors/bme280", "a.go", imp("periph.io/x/devices/v3/bmxx80"), ""},
		{"devices in sim", "sensors/sim", "a.go", imp("periph.io/x/devices/v3/bmxx80"), "border is driver, cmd"},
		{"meeus outside astro", "daemon", "a.go", imp("github.com/soniakeys/meeus/v3/nutation"), "border is astro"},
		{"meeus in astro", "astro/sky", "a.go", imp("github.com/soniakeys/meeus/v3/nutation"), ""},
		{"SQL in nightlog", "daemon/nightlog", "a.go", imp("database/sql", "modernc.org/sqlite"), ""},
		{"SQL in api", "api", "a.go", imp("database/sql"), "border is daemon/nightlog"},
		{"HTTP in api", "api", "a.go", imp("net/http"), ""},
		{"HTTP in daemon", "daemon", "a.go", imp("net/http/pprof"), "border is api, cmd"},
		{"test library in the program", "daemon", "a.go", imp("pgregory.net/rapid"), "border is"},
		{"test library in a test", "astro", "a_test.go", imp("pgregory.net/rapid"), ""},
		{"testing in the program", "daemon/scenario", "a.go", imp("testing"), "border is"},
		{"unlisted module", "daemon", "a.go", imp("example.org/left-pad"), "no border is set"},
		{"unlisted module in a test", "daemon", "a_test.go", imp("example.org/left-pad"), "no border is set"},
		{"cgo", "sensors/lsm6dso", "a.go", imp("C"), "without cgo"},
		{"prefix of a name is not the path", "daemon", "a.go", imp("gonum.org/v1/gonumfake"), "no border is set"},

		{"file in a pure package", "daemon/estimator", "a.go", imp("os"), "pure package"},
		{"logger in a pure package", "daemon/watch", "a.go", imp("log/slog"), "pure package"},
		{"network in a pure package", "astro/geomag", "a.go", imp("net/netip"), "pure package"},
		{"file in a pure package's test", "astro/geomag", "a_test.go", imp("os"), ""},
		{"embedded table in a pure package", "astro/geomag", "a.go", imp("embed"), ""},
		{"dot import in a pure package", "astro/geomag", "a.go", "package p\nimport . \"time\"\n", "hides"},
		{"clock in a pure package", "daemon/guidance", "a.go", "package p\nimport \"time\"\nvar x = time.Now()\n", "real clock"},
		{"clock as a value", "daemon/guidance", "a.go", "package p\nimport \"time\"\nvar now = time.Now\n", "real clock"},
		{"clock under another name", "daemon", "a.go", "package p\nimport t \"time\"\nfunc f() { t.Sleep(1) }\n", "real clock"},
		{"clock in cmd", "cmd/plumbstar", "a.go", "package p\nimport \"time\"\nvar x = time.Now()\n", ""},
		{"clock in a test", "daemon/guidance", "a_test.go", "package p\nimport \"time\"\nvar x = time.Now()\n", ""},
		{"a variable named time", "daemon/guidance", "a.go", "package p\nfunc f(time interface{ Now() int }) int { return time.Now() }\n", ""},
		{"ticker in api", "api", "a.go", "package p\nimport \"time\"\nvar x = time.NewTicker(1)\n", ""},
		{"ticker in a driver", "sensors/lsm6dso", "a.go", "package p\nimport \"time\"\nvar x = time.NewTicker(1)\n", "time as an argument"},
		{"goroutine in a pure package", "astro/sky", "a.go", "package p\nfunc f() { go f() }\n", "no goroutine"},
		{"goroutine in daemon", "daemon", "a.go", "package p\nfunc f() { go f() }\n", ""},
		{"printing", "sensors/calib", "a.go", "package p\nimport \"fmt\"\nfunc f() { fmt.Println() }\n", "standard output"},
		{"built-in printing", "sensors/calib", "a.go", "package p\nfunc f() { println() }\n", "prints nothing"},
		{"init", "sensors/lsm6dso", "a.go", "package p\nfunc init() {}\n", "hides wiring"},
		{"a method named init", "sensors/lsm6dso", "a.go", "package p\ntype t int\nfunc (t) init() {}\n", ""},
		{"asks for a test", "sensors/sensortest", "a.go", "package p\nimport \"testing\"\nvar x = testing.Testing()\n", "under test"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := parse(c.dir, c.file, c.src)
			if err != nil {
				t.Fatal(err)
			}
			got := violations(s)
			switch {
			case c.want == "" && len(got) > 0:
				t.Errorf("allowed, but: %q", got)
			case c.want != "" && (len(got) != 1 || !strings.Contains(got[0], c.want)):
				t.Errorf("got %q, want one violation with %q", got, c.want)
			}
		})
	}
}
