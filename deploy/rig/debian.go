package main

import (
	"archive/tar"
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// debian fetches packages from the mirror that this machine's apt uses, for other
// architectures too, without installing them or changing apt's own state.
type debian struct {
	dir      string // where packages, lists and unpacked files are kept
	codename string
	conf     string // apt's settings
}

const keyring = "/usr/share/keyrings/debian-archive-keyring.gpg"

func newDebian(dir string) (*debian, error) {
	d := &debian{dir: dir, conf: filepath.Join(dir, "apt.conf")}
	var err error
	if d.codename, err = codename(); err != nil {
		return nil, err
	}
	sites, err := exec.Command("apt-get", "indextargets", "--format", "$(SITE)", "Created-By: Packages", "Release: "+d.codename).Output()
	if err != nil {
		return nil, fmt.Errorf("asking apt for its mirror: %w", err)
	}
	site, _, _ := strings.Cut(strings.TrimSpace(string(sites)), "\n")
	if site == "" {
		return nil, fmt.Errorf("apt has no mirror for %s: add one to its sources", d.codename)
	}
	for _, sub := range []string{"lists/partial", "archives/partial"} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o755); err != nil {
			return nil, err
		}
	}
	var sources string
	for _, suite := range []string{d.codename, d.codename + "-backports"} {
		sources += fmt.Sprintf("deb [signed-by=%s] %s %s main\n", keyring, site, suite)
	}
	if err := os.WriteFile(filepath.Join(dir, "sources.list"), []byte(sources), 0o644); err != nil {
		return nil, err
	}
	user := ""
	if os.Geteuid() == 0 {
		user = "APT::Sandbox::User \"root\";\n" // the folder need not be readable for others
	}
	conf := fmt.Sprintf(`Dir::Etc::sourcelist "%[1]s/sources.list";
Dir::Etc::sourceparts "/dev/null";
Dir::State::lists "%[1]s/lists";
Dir::Cache::archives "%[1]s/archives";
Dir::Cache::pkgcache "";
Dir::Cache::srcpkgcache "";
APT::Architectures { "amd64"; "arm64"; };
Acquire::Languages "none";
%[2]s`, dir, user)
	if err := os.WriteFile(d.conf, []byte(conf), 0o644); err != nil {
		return nil, err
	}
	if _, err := d.apt("apt-get", "-qq", "update"); err != nil {
		return nil, err
	}
	return d, nil
}

// codename is the Debian release of this machine.
func codename() (string, error) {
	f, err := os.Open("/etc/os-release")
	if err != nil {
		return "", err
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		if v, ok := strings.CutPrefix(s.Text(), "VERSION_CODENAME="); ok {
			return strings.Trim(v, `"`), nil
		}
	}
	return "", errors.New("/etc/os-release names no release: the rig needs Debian")
}

// apt runs a program of apt with the own settings, in the own folder.
func (d *debian) apt(name string, args ...string) ([]byte, error) {
	c := exec.Command(name, args...)
	c.Dir = d.dir
	c.Env = append(os.Environ(), "APT_CONFIG="+d.conf, "LC_ALL=C")
	out, err := c.Output()
	var x *exec.ExitError
	if errors.As(err, &x) {
		return nil, fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, bytes.TrimSpace(x.Stderr))
	}
	return out, err
}

// kernel is the name of the package of the newest kernel for an architecture.
func (d *debian) kernel(arch string) (string, error) {
	out, err := d.apt("apt-cache", "show", "linux-image-"+arch+":"+arch+"/"+d.codename)
	if err != nil {
		return "", err
	}
	for line := range strings.Lines(string(out)) {
		if list, ok := strings.CutPrefix(line, "Depends: "); ok {
			name, _, _ := strings.Cut(strings.TrimSpace(list), " ")
			return strings.TrimSuffix(name, ",") + ":" + arch, nil
		}
	}
	return "", fmt.Errorf("no kernel for %s in Debian %s", arch, d.codename)
}

// unpack fetches a package, or takes the one that is there already, and returns a
// folder with those of its files that want says.
func (d *debian) unpack(pkg, suite string, want func(name string) bool) (string, error) {
	out, err := d.apt("apt-get", "-qq", "-t", suite, "--print-uris", "download", pkg)
	if err != nil {
		return "", err
	}
	fields := strings.Fields(string(out)) // 'address' file size hash
	if len(fields) < 2 {
		return "", fmt.Errorf("apt does not say where %s is: %q", pkg, out)
	}
	deb := filepath.Join(d.dir, filepath.Base(fields[1]))
	dir := strings.TrimSuffix(deb, ".deb")
	if _, err := os.Stat(dir); err == nil {
		return dir, nil
	}
	if _, err := d.apt("apt-get", "-qq", "-t", suite, "download", pkg); err != nil {
		return "", err
	}
	defer os.Remove(deb) // what is needed of it is unpacked
	part := dir + ".part"
	if err := os.RemoveAll(part); err != nil {
		return "", err
	}
	if err := unpackDeb(deb, part, want); err != nil {
		return "", fmt.Errorf("%s: %w", filepath.Base(deb), err)
	}
	return dir, os.Rename(part, dir)
}

// unpackDeb writes the wanted files of a package below dir. Links are left out.
func unpackDeb(deb, dir string, want func(name string) bool) error {
	c := exec.Command("dpkg-deb", "--fsys-tarfile", deb)
	c.Stderr = os.Stderr
	pipe, err := c.StdoutPipe()
	if err != nil {
		return err
	}
	if err := c.Start(); err != nil {
		return err
	}
	err = untar(pipe, dir, want)
	if err == nil {
		_, err = io.Copy(io.Discard, pipe)
	} else {
		_ = c.Process.Kill()
	}
	return errors.Join(err, c.Wait())
}

func untar(r io.Reader, dir string, want func(name string) bool) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	for t := tar.NewReader(r); ; {
		h, err := t.Next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		name := strings.TrimPrefix(h.Name, "./")
		if h.Typeflag != tar.TypeReg || !want(name) {
			continue
		}
		if err := root.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			return err
		}
		f, err := root.OpenFile(name, os.O_CREATE|os.O_WRONLY|os.O_EXCL, h.FileInfo().Mode().Perm())
		if err != nil {
			return err
		}
		if _, err := io.Copy(f, t); err != nil {
			f.Close()
			return err
		}
		if err := f.Close(); err != nil {
			return err
		}
	}
}
