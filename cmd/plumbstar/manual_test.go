package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// The manual pages are made from the commands and from the sample settings, so
// that neither can say what the program does not do; deploy/package asks for the
// files with -manual. Nothing of this is in the program.
var (
	manualDir     = flag.String("manual", "", "write plumbstar.1 and plumbstar.toml.5 into this folder")
	manualVersion = flag.String("manual-version", version, "version that the manual pages name")
	manualDate    = flag.String("manual-date", "", "date that the manual pages name")
)

const sampleSettings = "../../deploy/plumbstar.toml"

// troff makes text of man(7) of plain text: no character may act as a command.
func troff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`, "`", `\(ga`, "^", `\(ha`, "~", `\(ti`).Replace(s)
	return regexp.MustCompile(`(?m)^\.`).ReplaceAllString(s, `\&.`)
}

func bold(s string) string { return `\fB` + troff(s) + `\fR` }

// paragraphs keeps indented blocks as they are.
func paragraphs(b *strings.Builder, text string) {
	for _, p := range strings.Split(strings.TrimSpace(text), "\n\n") {
		if strings.HasPrefix(p, "  ") || strings.HasPrefix(p, "\t") || strings.Contains(p, "\n  ") {
			fmt.Fprintf(b, ".PP\n.nf\n%s\n.fi\n", troff(p))
			continue
		}
		fmt.Fprintf(b, ".PP\n%s\n", troff(p))
	}
}

func title(b *strings.Builder, name string, section int, what string) {
	fmt.Fprintf(b, ".TH %s %d \"%s\" \"plumbstar %s\" \"%s\"\n", strings.ToUpper(name), section, *manualDate, troff(*manualVersion), what)
}

// commandsPage is plumbstar(1).
func commandsPage(root *cobra.Command) string {
	var b strings.Builder
	title(&b, "plumbstar", 1, "User Commands")
	b.WriteString(".SH NAME\nplumbstar \\- guide a star tracker\\(aqs axis to the celestial pole\n")
	b.WriteString(".SH SYNOPSIS\n.B plumbstar\n.I command\n.RI [ options ]\n")
	b.WriteString(".SH DESCRIPTION\n")
	paragraphs(&b, `plumbstar reads an accelerometer, a gyroscope and a magnetometer over I2C on a small computer that is fixed to a star tracker. It tells a phone's browser, a program or an ear how far to raise and turn the tracker's axis until it points at the celestial pole, and with every number how sure it is. What cannot be known is said to be not known.

As a service it is started with systemd ("systemctl start plumbstar"). Its page answers at the address that "systemctl status plumbstar" shows, port 8484 unless the settings name another one. "plumbstar pair" shows the code that lets a phone change things.`)
	b.WriteString(".SH COMMANDS\n")
	for _, c := range root.Commands() {
		if c.IsAvailableCommand() {
			command(&b, c)
		}
	}
	b.WriteString(".SH EXIT STATUS\n.TP\n.B 0\ndone\n.TP\n.B 1\nfailed; one line on standard error says what, where and what to do\n.TP\n.B 2\nwrong use of the command line\n")
	b.WriteString(".SH FILES\n.TP\n.I " + defaultSettings + "\nsettings, see\n.BR plumbstar.toml (5)\n.TP\n.I /var/lib/plumbstar\nnights, calibrations, sightings and pairings\n")
	b.WriteString(".SH CAUTION\n")
	paragraphs(&b, `Never look at the Sun through a finder or any other optics, not for a moment: sight it by the shadow.

Switch off before wires are plugged. Keep mains out of the wet, and batteries from what could short them.`)
	b.WriteString(".SH SEE ALSO\n.BR plumbstar.toml (5),\n.BR systemctl (1),\n.BR journalctl (1)\n")
	return b.String()
}

func command(b *strings.Builder, c *cobra.Command) {
	use := strings.TrimPrefix(c.UseLine(), "plumbstar ")
	fmt.Fprintf(b, ".SS \"%s\"\n", troff(use))
	text := c.Long
	if text == "" {
		text = c.Short + "."
	}
	paragraphs(b, text)
	if c.Example != "" {
		fmt.Fprintf(b, ".PP\n.nf\n%s\n.fi\n", troff(c.Example))
	}
	c.LocalFlags().VisitAll(func(f *pflag.Flag) {
		if f.Hidden || f.Name == "help" {
			return
		}
		value, usage := pflag.UnquoteUsage(f)
		fmt.Fprintf(b, ".TP\n%s", bold("--"+f.Name))
		if value != "" {
			fmt.Fprintf(b, ` \fI%s\fR`, troff(value))
		}
		fmt.Fprintf(b, "\n%s", troff(usage))
		if f.DefValue != "" && f.DefValue != "false" && f.DefValue != "[]" && f.DefValue != "0" {
			fmt.Fprintf(b, " (default %s)", troff(f.DefValue))
		}
		b.WriteString("\n")
	})
	for _, sub := range c.Commands() {
		if sub.IsAvailableCommand() && c.Name() != "completion" {
			command(b, sub)
		}
	}
}

var settingLine = regexp.MustCompile(`^(#?)([a-z][a-zA-Z_]*) = (.*)$`)

// settingsPage is plumbstar.toml(5), of the sample's comments and keys.
func settingsPage(sample string) string {
	var b strings.Builder
	title(&b, "plumbstar.toml", 5, "File Formats")
	b.WriteString(".SH NAME\nplumbstar.toml \\- settings of plumbstar\n.SH SYNOPSIS\n.I " + defaultSettings + "\n.SH DESCRIPTION\n")
	var comment []string
	seen := map[string]bool{}
	table, repeated, after := "", false, false
	say := func() {
		if len(comment) > 0 && !repeated {
			b.WriteString(troff(strings.Join(comment, "\n")) + "\n")
		}
		comment = nil
	}
	for _, line := range strings.Split(sample, "\n") {
		switch m := settingLine.FindStringSubmatch(line); {
		case m != nil && !repeated:
			macro := ".TP"
			if after && len(comment) == 0 {
				macro = ".TQ"
			}
			kind := "default"
			if m[1] != "" {
				kind = "no default; for example"
			}
			text := comment
			comment = nil
			fmt.Fprintf(&b, "%s\n%s (%s %s)\n", macro, bold(m[2]), kind, troff(m[3]))
			if comment = text; len(comment) > 0 {
				say()
			}
			after = true
		case m != nil:
			comment = nil
		case strings.HasPrefix(line, "["):
			table, after = line, false
			if repeated = seen[table]; !repeated {
				fmt.Fprintf(&b, ".SH \"%s\"\n", troff(table))
				seen[table] = true
			}
			say()
		case strings.HasPrefix(line, "#"):
			comment = append(comment, strings.TrimSpace(strings.TrimPrefix(line, "#")))
		case line == "" && len(comment) > 0:
			say() // what stands alone, like the file's own introduction
		}
	}
	b.WriteString(".SH SEE ALSO\n.BR plumbstar (1)\n")
	return b.String()
}

func TestManualNamesEveryCommandAndSetting(t *testing.T) {
	sample, err := os.ReadFile(sampleSettings)
	if err != nil {
		t.Fatal(err)
	}
	root := newRootCommand(env{stdin: strings.NewReader(""), stdout: io.Discard, stderr: io.Discard, now: time.Now})
	root.SetArgs([]string{"--help"})
	root.SetOut(io.Discard)
	if err := root.ExecuteContext(context.Background()); err != nil { // adds completion and help
		t.Fatal(err)
	}
	one, five := commandsPage(root), settingsPage(string(sample))
	for _, c := range root.Commands() {
		if !c.IsAvailableCommand() {
			continue
		}
		if !strings.Contains(one, ".SS \""+troff(strings.TrimPrefix(c.UseLine(), "plumbstar "))) {
			t.Errorf("plumbstar.1 lacks %s", c.Name())
		}
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if !f.Hidden && f.Name != "help" && !strings.Contains(one, bold("--"+f.Name)) {
				t.Errorf("plumbstar.1 lacks --%s of %s", f.Name, c.Name())
			}
		})
	}
	for _, line := range strings.Split(string(sample), "\n") {
		if m := settingLine.FindStringSubmatch(line); m != nil && !strings.Contains(five, bold(m[2])+" (") {
			t.Errorf("plumbstar.toml.5 lacks %s", m[2])
		}
		if strings.HasPrefix(line, "[") && !strings.Contains(five, ".SH \""+troff(line)+"\"") {
			t.Errorf("plumbstar.toml.5 lacks %s", line)
		}
	}
	for name, page := range map[string]string{"plumbstar.1": one, "plumbstar.toml.5": five} {
		for i, line := range strings.Split(page, "\n") {
			if strings.HasPrefix(line, "'") || strings.HasPrefix(line, ".") && !regexp.MustCompile(`^\.(TH|SH|SS|PP|TP|TQ|nf|fi|B|I|BR|RI)( |$)`).MatchString(line) {
				t.Errorf("%s:%d: text acts as a command: %s", name, i+1, line)
			}
		}
		if *manualDir != "" {
			if err := os.WriteFile(filepath.Join(*manualDir, name), []byte(page), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}
