package main

import (
	"bytes"
	"debug/elf"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// kernelModules finds the files of modules below dir and of all that they depend
// on, each after those that it needs.
func kernelModules(dir string, names ...string) ([]string, error) {
	files := make(map[string]string) // by name with underscores
	err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if name, _, ok := strings.Cut(filepath.Base(p), ".ko"); ok && err == nil {
			files[plain(name)] = p
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	var out []string
	done := make(map[string]bool)
	var add func(name string) error
	add = func(name string) error {
		if name == "" || done[name] {
			return nil
		}
		done[name] = true
		file := files[name]
		if file == "" {
			return fmt.Errorf("module %s is not in the folders that were unpacked", name)
		}
		b, err := readModule(file)
		if err != nil {
			return err
		}
		needs, err := dependencies(b)
		if err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
		for _, n := range needs {
			if err := add(n); err != nil {
				return fmt.Errorf("%s needs: %w", name, err)
			}
		}
		out = append(out, file)
		return nil
	}
	for _, n := range names {
		if err := add(plain(n)); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// plain is a module's name as the kernel lists it.
func plain(name string) string { return strings.ReplaceAll(name, "-", "_") }

// readModule is the content of a module's file, unpacked.
func readModule(file string) ([]byte, error) {
	if strings.HasSuffix(file, ".xz") {
		return exec.Command("xz", "-dc", file).Output()
	}
	return os.ReadFile(file)
}

// dependencies are the modules that a module names in its section .modinfo.
func dependencies(module []byte) ([]string, error) {
	f, err := elf.NewFile(bytes.NewReader(module))
	if err != nil {
		return nil, err
	}
	s := f.Section(".modinfo")
	if s == nil {
		return nil, errors.New("no section .modinfo: this is no kernel module")
	}
	info, err := s.Data()
	if err != nil {
		return nil, err
	}
	for line := range strings.SplitSeq(string(info), "\x00") {
		if list, ok := strings.CutPrefix(line, "depends="); ok {
			return strings.Split(plain(list), ","), nil
		}
	}
	return nil, nil
}
