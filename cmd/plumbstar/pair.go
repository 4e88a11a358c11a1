package main

import (
	"fmt"
	"io"
	"net"
	"net/url"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"plumbstar/api"
	"plumbstar/daemon/config"
)

type pairFlags struct {
	settings string
	stateDir string
	role     string
	valid    time.Duration
	qr       bool
	page     string
	token    bool
	name     string
	list     bool
	revoke   string
}

func newPairCommand(e env) *cobra.Command {
	var f pairFlags
	c := &cobra.Command{
		Use:   "pair",
		Short: "Let a phone or a program change things: show a pairing code",
		Long: `Show a code of eight digits that pairs one device with this board. Only paired
devices may change anything. The running daemon accepts the code once, within
its few minutes; a new code ends the one before and every lock-out by wrong
guesses. A display (in the settings) shows it for as long. --token makes a token for a program directly, without a code.

Code and tokens lie in the state directory, hashed, each in a file that only
the service's own user can read: run this as root or as that user.`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			for _, pair := range [][2]string{{"list", "revoke"}, {"list", "token"}, {"revoke", "token"}, {"token", "qr"}} {
				if cmd.Flags().Changed(pair[0]) && cmd.Flags().Changed(pair[1]) {
					return usagef("--%s and --%s do not go together", pair[0], pair[1])
				}
			}
			return pair(e, f)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.settings, "config", "", "settings file of the daemon (default "+defaultSettings+" where it exists)")
	fl.StringVar(&f.stateDir, "state-dir", "", "state directory of the daemon, instead of the settings'")
	fl.StringVar(&f.role, "role", string(api.RoleWrite), "what the device may do: write (and read), or read")
	fl.DurationVar(&f.valid, "valid", 5*time.Minute, "how long the code is accepted, up to 1h")
	fl.BoolVar(&f.qr, "qr", false, "show the page's address with the code as a QR code, too")
	fl.StringVar(&f.page, "url", "", "address of the page, when it is not the first address of this machine at the settings' port")
	fl.BoolVar(&f.token, "token", false, "print a token for a program instead of a code")
	fl.StringVar(&f.name, "name", "program", "name in the list, with --token")
	fl.BoolVar(&f.list, "list", false, "list the paired devices")
	fl.StringVar(&f.revoke, "revoke", "", "end the pairing of the device with this id")
	return c
}

func pair(e env, f pairFlags) error {
	role, err := api.ParseRole(f.role)
	if err != nil {
		return usageError{err}
	}
	if f.valid <= 0 || f.valid > time.Hour {
		return usagef("--valid %v: give a time above 0, up to 1h", f.valid)
	}
	set, err := serveSettings(serveFlags{settings: f.settings, stateDir: f.stateDir})
	if err != nil {
		return err
	}
	page, err := pageAddress(f.page, set.Server)
	if err != nil {
		return err
	}
	store, err := api.OpenPairingDir(filepath.Join(set.StateDir, api.PairingFolder), e.now)
	if err != nil {
		return err
	}
	switch {
	case f.list:
		return listPaired(e.stdout, store)
	case f.revoke != "":
		return store.Revoke(f.revoke)
	case f.token:
		g, err := store.Grant(f.name, role)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintln(e.stdout, g.Token)
		return err
	}
	display := set.Display.Chip != config.None
	code, err := store.Issue(api.CodeOptions{Role: role, Lifetime: f.valid, Show: display})
	if err != nil {
		return err
	}
	if display {
		fmt.Fprintln(e.stdout, "The display shows it too, while the daemon runs.")
	}
	if set.Server.Encrypted() {
		authority, err := openAuthority(set, e.now)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.stdout, "Certificate authority, SHA-256: %s\n", authority.Fingerprint())
	}
	return showCode(e.stdout, page, code, f)
}

func showCode(w io.Writer, page *url.URL, code string, f pairFlags) error {
	may := "change things"
	if f.role == string(api.RoleRead) {
		may = "read"
	}
	direct := *page
	direct.Fragment = "code=" + code
	if _, err := fmt.Fprintf(w, "Code %s %s, for one device that may then %s; good for %s.\nEnter it on the page %s or open\n%s\n",
		code[:4], code[4:], may, strings.TrimSuffix(f.valid.String(), "0s"), page, &direct); err != nil {
		return err
	}
	if !f.qr {
		return nil
	}
	return writeQR(w, direct.String())
}

func listPaired(out io.Writer, store *api.PairingDir) error {
	list, err := store.Tokens()
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "id\trole\tpaired (UTC)\tname")
	for _, t := range list {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", t.ID, t.Role, t.Created.UTC().Format("2006-01-02 15:04"), t.Label)
	}
	return w.Flush()
}

// pageAddress is the address that people are told: the given one, or where the
// daemon listens.
func pageAddress(given string, server config.Server) (*url.URL, error) {
	if given == "" {
		a, err := net.ResolveTCPAddr("tcp", server.Listen)
		if err != nil {
			return nil, fmt.Errorf("server.listen %q: %w: give the page's address with --url", server.Listen, err)
		}
		given = pageURL(a, server.Encrypted())
	}
	u, err := url.Parse(given)
	if err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https") || u.Fragment != "" {
		return nil, usagef("--url %q: give an address like http://192.168.4.1:8484/", given)
	}
	if !strings.HasSuffix(u.Path, "/") {
		u.Path += "/"
	}
	return u, nil
}
