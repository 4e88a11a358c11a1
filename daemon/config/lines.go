package config

import (
	"fmt"
	"sort"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// keyLines maps every key of a valid TOML document ("site.lat_deg",
// "kit.lenses[1].focal_mm", counted from 0) to its line, for errors that are
// found after decoding.
func keyLines(data []byte) map[string]int {
	lines := map[string]int{}
	arrays := map[string]int{}
	var p keyParser
	p.Reset(data)
	for i, c := range data {
		if c == '\n' {
			p.ends = append(p.ends, i)
		}
	}
	prefix := ""
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			key, line := keyOf(&p, e, "")
			if e.Kind == unstable.ArrayTable {
				n := arrays[key]
				arrays[key] = n + 1
				key = fmt.Sprintf("%s[%d]", key, n)
			}
			prefix = key + "."
			lines[key] = line
		case unstable.KeyValue:
			noteValue(&p, e, prefix, lines)
		}
	}
	return lines
}

// keyParser finds lines by the places of line ends: the parser's own way counts
// from the beginning of the file for each key.
type keyParser struct {
	unstable.Parser
	ends []int
}

func (p *keyParser) line(offset uint32) int { return 1 + sort.SearchInts(p.ends, int(offset)) }

func noteValue(p *keyParser, kv *unstable.Node, prefix string, lines map[string]int) {
	key, line := keyOf(p, kv, prefix)
	lines[key] = line
	noteInside(p, kv.Value(), key, lines)
}

func noteInside(p *keyParser, v *unstable.Node, key string, lines map[string]int) {
	switch v.Kind {
	case unstable.InlineTable:
		for it := v.Children(); it.Next(); {
			noteValue(p, it.Node(), key+".", lines)
		}
	case unstable.Array:
		i := 0
		for it := v.Children(); it.Next(); {
			if n := it.Node(); n.Kind != unstable.Comment {
				noteInside(p, n, fmt.Sprintf("%s[%d]", key, i), lines)
				i++
			}
		}
	}
}

// keyOf is the lower-case key of a table or key-value node and its line.
func keyOf(p *keyParser, n *unstable.Node, prefix string) (string, int) {
	var parts []string
	line := 0
	for it := n.Key(); it.Next(); {
		k := it.Node()
		if line == 0 {
			line = p.line(k.Raw.Offset)
		}
		parts = append(parts, strings.ToLower(string(k.Data)))
	}
	return prefix + strings.Join(parts, "."), line
}

// lineOf is the line of key, else of the nearest table around it; 0 when the
// file has neither.
func lineOf(lines map[string]int, key string) int {
	key = strings.ToLower(key)
	for key != "" {
		if l, ok := lines[key]; ok {
			return l
		}
		key = key[:max(strings.LastIndexAny(key, ".["), 0)]
	}
	return 0
}
