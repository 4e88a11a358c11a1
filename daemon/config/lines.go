package config

import (
	"fmt"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// keyLines maps every key of a valid TOML document ("site.lat_deg",
// "kit.lenses[1].focal_mm", counted from 0) to its line, for errors that are
// found after decoding.
func keyLines(data []byte) map[string]int {
	lines := map[string]int{}
	arrays := map[string]int{}
	var p unstable.Parser
	p.Reset(data)
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

func noteValue(p *unstable.Parser, kv *unstable.Node, prefix string, lines map[string]int) {
	key, line := keyOf(p, kv, prefix)
	lines[key] = line
	noteInside(p, kv.Value(), key, lines)
}

func noteInside(p *unstable.Parser, v *unstable.Node, key string, lines map[string]int) {
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
func keyOf(p *unstable.Parser, n *unstable.Node, prefix string) (string, int) {
	var parts []string
	line := 0
	for it := n.Key(); it.Next(); {
		k := it.Node()
		if line == 0 {
			line = p.Shape(k.Raw).Start.Line
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
