package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is set by the release build (-ldflags "-X main.version=…").
var version = "development"

func newVersionCommand(e env) *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print version and build",
		Args:  noArgs,
		RunE: func(*cobra.Command, []string) error {
			rev := "unknown"
			if bi, ok := debug.ReadBuildInfo(); ok {
				for _, s := range bi.Settings {
					if s.Key == "vcs.revision" {
						rev = s.Value
					}
				}
			}
			_, err := fmt.Fprintf(e.stdout, "plumbstar %s (revision %s, %s, %s/%s)\n", version, rev, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}
