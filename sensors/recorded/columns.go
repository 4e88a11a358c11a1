package recorded

import (
	"bytes"
	"fmt"
	"strings"
)

type column int

// Components of one vector are neighbours, in order.
const (
	colT column = iota
	colAX
	colAY
	colAZ
	colGX
	colGY
	colGZ
	colMX
	colMY
	colMZ
	colTemp
	colQW
	colQX
	colQY
	colQZ
	colMoving
	columnCount
	colIgnored column = -1
)

var columnNames = [columnCount]string{
	"t_s", "ax", "ay", "az", "gx", "gy", "gz", "mx", "my", "mz", "temp_C", "qw", "qx", "qy", "qz", "moving",
}

// limits are far beyond what any chip measures; what exceeds them is another
// unit or a broken file.
var limits = [columnCount]struct {
	max  float64
	unit string
}{
	colT:  {9e9, "seconds"},
	colAX: {5e3, "m/s2"}, colAY: {5e3, "m/s2"}, colAZ: {5e3, "m/s2"},
	colGX: {200, "rad/s"}, colGY: {200, "rad/s"}, colGZ: {200, "rad/s"},
	colMX: {2e4, "uT"}, colMY: {2e4, "uT"}, colMZ: {2e4, "uT"},
	colTemp: {1000, "degrees Celsius"},
	colQW:   {2, "a unit quaternion"}, colQX: {2, "a unit quaternion"}, colQY: {2, "a unit quaternion"}, colQZ: {2, "a unit quaternion"},
}

// columns says which cell of a line holds what.
type columns struct {
	at      []column // by place in the line; colIgnored for what is not used
	present [columnCount]bool
}

func (c *columns) has(x column) bool { return c.present[x] }

func parseHeader(line []byte) (columns, error) {
	var c columns
	for cell := range bytes.SplitSeq(line, []byte(",")) {
		col := colIgnored
		for i, name := range columnNames {
			if strings.EqualFold(string(trimCell(cell)), name) {
				col = column(i)
			}
		}
		if col != colIgnored {
			if c.present[col] {
				return c, &Error{Line: 1, Column: columnNames[col], Err: fmt.Errorf("named twice: keep one of the two")}
			}
			c.present[col] = true
		}
		c.at = append(c.at, col)
	}
	if !c.has(colT) {
		return c, &Error{Line: 1, Column: "t_s", Err: fmt.Errorf("missing (the line begins %.40q): the first line must name comma-separated columns, for example t_s,ax,ay,az,gx,gy,gz,mx,my,mz", line)}
	}
	for _, group := range [][]column{
		{colAX, colAY, colAZ}, {colGX, colGY, colGZ}, {colMX, colMY, colMZ}, {colQW, colQX, colQY, colQZ},
	} {
		n := 0
		missing := colIgnored
		for _, col := range group {
			if c.has(col) {
				n++
			} else {
				missing = col
			}
		}
		if n > 0 && missing != colIgnored {
			return c, &Error{Line: 1, Column: columnNames[missing], Err: fmt.Errorf("missing although the others of its group are there: add it or remove them")}
		}
	}
	switch {
	case !c.has(colAX) && !c.has(colMX):
		return c, &Error{Line: 1, Err: fmt.Errorf("no sensor columns: the file needs ax,ay,az (m/s2) or mx,my,mz (uT)")}
	case c.has(colGX) && !c.has(colAX):
		return c, &Error{Line: 1, Column: "ax", Err: fmt.Errorf("missing: a gyroscope alone cannot be used, add ax,ay,az (m/s2)")}
	}
	return c, nil
}

// trimCell takes off blanks and one pair of quotes.
func trimCell(b []byte) []byte {
	b = bytes.TrimSpace(b)
	if len(b) >= 2 && b[0] == '"' && b[len(b)-1] == '"' {
		b = b[1 : len(b)-1]
	}
	return b
}
