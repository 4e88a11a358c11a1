package config

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// maxFileBytes is far more than any settings file needs.
const maxFileBytes = 1 << 20

// Chips are the names that the program knows; an empty list lets any name pass.
type Chips struct {
	Inertial, Magnetic []string
}

// Error is one thing that is wrong with a settings file.
type Error struct {
	File string
	Line int    // 0 when the file as a whole is meant
	Key  string // "site.lat_deg"; may be empty
	Why  string // the reason and what to do
}

func (e *Error) Error() string {
	s := e.File
	if e.Line > 0 {
		s += fmt.Sprintf(":%d", e.Line)
	}
	if e.Key != "" {
		s += fmt.Sprintf(": %.200s", e.Key)
	}
	return s + ": " + e.Why
}

// Load reads and checks the settings file. Files that it names relatively are
// looked for beside it.
func Load(file string, chips Chips) (Settings, error) {
	info, err := os.Stat(file)
	if err != nil {
		return Settings{}, fmt.Errorf("settings: %w: name a file that exists", err)
	}
	if info.Size() > maxFileBytes {
		return Settings{}, &Error{File: file, Why: fmt.Sprintf("%d bytes: this is no settings file", info.Size())}
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return Settings{}, fmt.Errorf("settings: %w: this user may not read them, as they can hold secrets: use sudo, or name settings of your own with --config", err)
	}
	s, err := Parse(file, b, chips)
	if err != nil {
		return Settings{}, err
	}
	for _, named := range []*string{&s.Geomag.Coefficients, &s.Alarms.Webhook.CAFile, &s.Alarms.MQTT.CAFile} {
		if *named == "" || filepath.IsAbs(*named) {
			continue
		}
		abs, err := filepath.Abs(filepath.Join(filepath.Dir(file), *named))
		if err != nil {
			return Settings{}, fmt.Errorf("settings: %w", err)
		}
		*named = abs
	}
	return s, nil
}

// Parse checks the settings in data on top of the defaults. file stands for them
// in errors; several errors come joined.
func Parse(file string, data []byte, chips Chips) (Settings, error) {
	s := Defaults()
	lenses, names := s.Kit.Lenses, s.Server.Names
	s.Kit.Lenses, s.Server.Names = nil, nil
	d := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return Settings{}, explain(file, err)
	}
	if s.Kit.Lenses == nil {
		s.Kit.Lenses = lenses
	}
	if s.Server.Names == nil {
		s.Server.Names = names
	}
	c := checker{file: file, lines: keyLines(data)}
	c.settings(&s, chips)
	if len(c.errs) > 0 {
		return Settings{}, errors.Join(c.errs...)
	}
	return s, nil
}

// explain turns what the decoder found into errors of this package.
func explain(file string, err error) error {
	var missing *toml.StrictMissingError
	if errors.As(err, &missing) {
		var all []error
		for i := range missing.Errors {
			e := &missing.Errors[i]
			line, _ := e.Position()
			all = append(all, &Error{File: file, Line: line, Key: strings.Join(e.Key(), "."), Why: unknownKey(e.Key())})
		}
		return errors.Join(all...)
	}
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return &Error{File: file, Why: oneLine(err.Error())}
	}
	line, _ := de.Position()
	why := strings.TrimPrefix(de.Error(), "toml: ")
	if m := wrongType.FindStringSubmatch(why); m != nil {
		why = fmt.Sprintf("%s stands where %s belongs", article(m[1]), goType(m[2]))
	} else {
		why += ": correct the line"
	}
	return &Error{File: file, Line: line, Key: strings.Join(de.Key(), "."), Why: oneLine(why)}
}

// wrongType is how the decoder (go-toml v2.4.3) reports a value of another type.
var wrongType = regexp.MustCompile(`(?s)^cannot decode TOML ([a-z -]+) into .*of type (.*)$`)

func article(tomlType string) string {
	switch tomlType {
	case "integer":
		return "a whole number"
	case "float":
		return "a number with a fraction"
	case "string":
		return "text"
	case "array":
		return "a list"
	case "boolean":
		return "true or false"
	}
	return "a " + tomlType
}

func goType(t string) string {
	switch {
	case strings.HasPrefix(t, "[]float"):
		return "a list of numbers, for example [60, 120]"
	case strings.HasPrefix(t, "[]string"):
		return `a list of texts, for example ["a", "b"]`
	case strings.HasPrefix(t, "[]"):
		return "a list of tables"
	case strings.HasPrefix(t, "float"):
		return "a number"
	case strings.HasPrefix(t, "int"), strings.HasPrefix(t, "uint"):
		return "a whole number"
	case t == "string", t == "config.Secret":
		return "text in quotes"
	case t == "bool":
		return "true or false"
	}
	return "a table"
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// unknownKey says what could have been meant.
func unknownKey(key toml.Key) string {
	known := keysAt(reflect.TypeFor[Settings](), key[:max(len(key)-1, 0)])
	if len(key) == 0 || len(known) == 0 {
		return "there is no such setting: remove it"
	}
	last := key[len(key)-1]
	best, dist := "", len(last)/3+2
	for _, k := range known {
		if d := distance(last, k); d < dist {
			best, dist = k, d
		}
	}
	if best != "" {
		return fmt.Sprintf("there is no such setting: did you mean %s?", best)
	}
	return "there is no such setting: use one of " + strings.Join(known, ", ")
}

// keysAt are the keys of the table at path, in the order of the file.
func keysAt(t reflect.Type, path []string) []string {
	for t.Kind() == reflect.Slice || t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return nil
	}
	var keys []string
	for i := range t.NumField() {
		f := t.Field(i)
		name := f.Tag.Get("toml")
		if len(path) > 0 && strings.EqualFold(name, path[0]) {
			return keysAt(f.Type, path[1:])
		}
		keys = append(keys, name)
	}
	if len(path) > 0 {
		return nil
	}
	return keys
}

// distance is Levenshtein's.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, diagonal+1)
		}
	}
	return row[len(b)]
}
