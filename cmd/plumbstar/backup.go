package main

import (
	"fmt"

	"github.com/spf13/cobra"
)

func newBackupCommand(e env) *cobra.Command {
	var f logFlags
	c := &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy the night log to one file, also while the daemon runs",
		Long: `Copy the night log, calibrations and sightings included, to FILE, which must not
exist. The daemon may go on writing: the copy is one consistent state. It is read
through and synced before it gets its name.

To go back to a copy, stop the daemon and put FILE in the place of nightlog.db in
the state directory, without the files nightlog.db-wal and nightlog.db-shm.`,
		Args: oneFile,
		RunE: func(cmd *cobra.Command, args []string) error {
			r, err := f.open(cmd.Context())
			if err != nil {
				return err
			}
			defer r.Close()
			if err := r.Backup(cmd.Context(), args[0]); err != nil {
				return err
			}
			_, err = fmt.Fprintln(e.stdout, "copied to", args[0])
			return err
		},
	}
	f.add(c)
	return c
}
