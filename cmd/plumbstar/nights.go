package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"plumbstar/daemon/nightlog"
)

// logFlags say where the night log is.
type logFlags struct{ settings, stateDir, from string }

func (f *logFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.settings, "config", "", "settings file of the daemon (default "+defaultSettings+" where it exists)")
	c.Flags().StringVar(&f.stateDir, "state-dir", "", "state directory of the daemon, instead of the settings'")
}

// addFrom is for commands that can read a backup as well.
func (f *logFlags) addFrom(c *cobra.Command) {
	c.Flags().StringVar(&f.from, "from", "", "read this backup instead of the daemon's log")
}

func (f *logFlags) open(ctx context.Context) (*nightlog.Reader, error) {
	if f.from != "" {
		if _, err := os.Stat(f.from); errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("--from %s: there is no such file: plumbstar backup makes one", f.from)
		}
		return nightlog.OpenReader(ctx, f.from)
	}
	dir := f.stateDir
	if dir == "" || f.settings != "" { // else there is nothing to look up, and no right to do so needed
		set, err := serveSettings(serveFlags{settings: f.settings, stateDir: f.stateDir})
		if err != nil {
			return nil, err
		}
		dir = set.StateDir
	}
	return nightlog.OpenReader(ctx, filepath.Join(dir, nightlog.FileName))
}

func newNightsCommand(e env) *cobra.Command {
	var f logFlags
	var asJSON bool
	c := &cobra.Command{
		Use:   "nights",
		Short: "List the nights in the log, or report one",
		Args:  noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			r, err := f.open(cmd.Context())
			if err != nil {
				return err
			}
			defer r.Close()
			list, err := r.Nights(cmd.Context())
			if err != nil {
				return err
			}
			if asJSON {
				return writeNightsJSON(e, list)
			}
			return writeNights(e, list)
		},
	}
	f.add(c)
	f.addFrom(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.AddCommand(newNightReportCommand(e))
	return c
}

func writeNights(e env, list []nightlog.Night) error {
	if len(list) == 0 {
		_, err := fmt.Fprintln(e.stderr, "no night yet")
		return err
	}
	const form = "2006-01-02 15:04"
	w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "night\tbegin (UTC)\tend (UTC)\thours\tsite\tname\tnote")
	for _, n := range list {
		end, site := n.End.Format(form), ""
		if n.Open {
			end = "open"
		}
		if n.Site != nil {
			site = n.Site.Name
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%.1f\t%s\t%s\t%s\n", n.ID, n.Begin.Format(form), end, n.End.Sub(n.Begin).Hours(), oneLine(site), oneLine(n.Name), oneLine(n.Note))
	}
	return w.Flush()
}

// oneLine keeps what a person typed inside its cell.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// nightJSON has the names of the export's dictionary.
type nightJSON struct {
	Night       int64           `json:"night"`
	Name        string          `json:"name"`
	Note        string          `json:"note"`
	Begin       time.Time       `json:"begin_utc"`
	End         time.Time       `json:"end_utc"` // of the last record while open
	Open        bool            `json:"open"`
	Runs        int             `json:"runs"`
	ClockSigmaS *float64        `json:"clock_sigma_s"` // null when not known
	ClockSource string          `json:"clock_source"`
	Site        *string         `json:"site"`
	LatDeg      *float64        `json:"lat_deg"`
	LonDeg      *float64        `json:"lon_deg"`
	HeightM     *float64        `json:"height_m"`
	Settings    json.RawMessage `json:"settings"`
}

func writeNightsJSON(e env, list []nightlog.Night) error {
	out := []nightJSON{}
	for _, n := range list {
		j := nightJSON{
			Night: n.ID, Name: n.Name, Note: n.Note, Begin: n.Begin, End: n.End, Open: n.Open, Runs: n.Runs,
			ClockSource: n.ClockSource, Settings: n.Settings,
		}
		if n.ClockSigmaS >= 0 {
			j.ClockSigmaS = &n.ClockSigmaS
		}
		if s := n.Site; s != nil {
			j.Site, j.LatDeg, j.LonDeg, j.HeightM = &s.Name, &s.LatDeg, &s.LonDeg, &s.HeightM
		}
		out = append(out, j)
	}
	enc := json.NewEncoder(e.stdout)
	enc.SetIndent("", " ")
	return enc.Encode(out)
}
