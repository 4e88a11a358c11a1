package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is set by the release build (-ldflags "-X main.version=…").
var version = "development"

// revision is the commit, set likewise; a build by hand asks Go.
var revision string

func newVersionCommand(e env) *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print version and build",
		Args:  noArgs,
		RunE: func(*cobra.Command, []string) error {
			rev := revision
			if bi, ok := debug.ReadBuildInfo(); ok && rev == "" {
				for _, s := range bi.Settings {
					if s.Key == "vcs.revision" {
						rev = s.Value
					}
				}
			}
			if rev == "" {
				rev = "unknown"
			}
			_, err := fmt.Fprintf(e.stdout, "plumbstar %s (revision %s, %s, %s/%s)\n", version, rev, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}
