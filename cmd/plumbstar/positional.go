package main

import (
	"strconv"
	"strings"

	"github.com/spf13/cobra"
)

// parseWithNegatives parses flags where a positional argument may be a negative
// number ("declination -31.6 139.3"), which the flag library takes for a flag.
// The command sets DisableFlagParsing and calls this first; done is true when
// help was asked for and given.
func parseWithNegatives(cmd *cobra.Command, args []string) (positional []string, done bool, err error) {
	var flags []string
	for i := 0; i < len(args); i++ {
		a := args[i]
		if a == "--" {
			positional = append(positional, args[i+1:]...)
			break
		}
		if _, err := strconv.ParseFloat(a, 64); err == nil || len(a) < 2 || a[0] != '-' {
			positional = append(positional, a)
			continue
		}
		flags = append(flags, a)
		if takesValue(cmd, a) && i+1 < len(args) {
			i++
			flags = append(flags, args[i])
		}
	}
	if err := cmd.Flags().Parse(flags); err != nil {
		return nil, false, usageError{err}
	}
	if help, err := cmd.Flags().GetBool("help"); err == nil && help {
		return nil, true, cmd.Help()
	}
	return positional, false, nil
}

// takesValue tells whether the flag's value is the next argument.
func takesValue(cmd *cobra.Command, arg string) bool {
	if strings.Contains(arg, "=") {
		return false
	}
	name := strings.TrimLeft(arg, "-")
	f := cmd.Flags().Lookup(name)
	if f == nil && len(name) == 1 {
		f = cmd.Flags().ShorthandLookup(name)
	}
	return f != nil && f.NoOptDefVal == ""
}
