package main

import (
	"fmt"
	"io"
	"strconv"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"plumbstar/daemon/nightlog"
)

type exportFlags struct {
	log           logFlags
	table, format string
	dictionary    bool
}

func newExportCommand(e env) *cobra.Command {
	var f exportFlags
	c := &cobra.Command{
		Use:   "export [NIGHT]",
		Short: "Write what the night log holds as CSV or JSON lines",
		Long: `Write a table of the night log to standard output, row by row. NIGHT is a number
that "plumbstar nights" shows, "last" (the default) or "all", which includes the
time between nights.

Tables: samples (one row a second), events, full-rate (the seconds around events,
as a recording that replay and stability read), nights, calibrations, sightings
and sites. Column names end in the unit; --dictionary explains each one. A cell is
empty, in JSON null, where a number is not known.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 1 {
				return usagef("export takes one night, got %q", args)
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			table, err := nightlog.ParseTable(f.table)
			if err != nil {
				return usagef("--table: %w", err)
			}
			format, err := nightlog.ParseFormat(f.format)
			if err != nil {
				return usagef("--format: %w", err)
			}
			if f.dictionary {
				if len(args) > 0 || cmd.Flags().Changed("table") {
					return usagef("--dictionary explains all tables: it takes no night and no --table")
				}
				return writeDictionary(e.stdout, format, cmd.Flags().Changed("format"))
			}
			night, err := parseNight(args)
			if err != nil {
				return err
			}
			r, err := f.log.open(cmd.Context())
			if err != nil {
				return err
			}
			defer r.Close()
			return r.Export(cmd.Context(), e.stdout, table, night, format)
		},
	}
	f.log.add(c)
	f.log.addFrom(c)
	c.Flags().StringVar(&f.table, "table", string(nightlog.TableSamples), "what to write: samples, events, full-rate, nights, calibrations, sightings or sites")
	c.Flags().StringVar(&f.format, "format", string(nightlog.CSV), "csv, or jsonl for one JSON object a line")
	c.Flags().BoolVar(&f.dictionary, "dictionary", false, "explain the columns of all tables instead (with --format in that form)")
	return c
}

func parseNight(args []string) (int64, error) {
	if len(args) > 0 && args[0] == "all" {
		return nightlog.All, nil
	}
	id, ok := oneNight(args)
	if !ok {
		return 0, usagef("night %q: give a number that plumbstar nights shows, or last, or all", args[0])
	}
	return id, nil
}

// parseOneNight is parseNight for what cannot be done with all of them.
func parseOneNight(args []string) (int64, error) {
	id, ok := oneNight(args)
	if !ok {
		return 0, usagef("night %q: give a number that plumbstar nights shows, or last", args[0])
	}
	return id, nil
}

func oneNight(args []string) (id int64, ok bool) {
	if len(args) == 0 || args[0] == "last" {
		return nightlog.Latest, true
	}
	id, err := strconv.ParseInt(args[0], 10, 64)
	return id, err == nil && id >= 1
}

// writeDictionary explains every column: as a table for people, or in a format.
func writeDictionary(out io.Writer, format nightlog.Format, asked bool) error {
	if asked {
		return nightlog.WriteDictionary(out, format)
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	table := ""
	for _, f := range nightlog.Dictionary() {
		if f.Table != table {
			table = f.Table
			fmt.Fprintf(w, "[%s]\n", table)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", f.Name, f.Type, f.Unit, f.Text)
	}
	return w.Flush()
}
