package sim

import "encoding/binary"

// stOutput is the output block of an ST part: pairs of low and high byte. With
// block data update, a pair whose low byte was read keeps its high byte until
// that is read too (CTRL3_C, CTRL_REG5 bit BDU of ST's data sheets), so that
// the halves belong together even in separate transfers.
type stOutput struct {
	b    [14]byte
	held int // pair whose high byte is held, counted from 1; 0: none
	high byte
}

// put stores a word; at is the index of its low byte.
func (o *stOutput) put(at int, v int32) {
	binary.LittleEndian.PutUint16(o.b[at:], uint16(v))
}

// read gives byte i.
func (o *stOutput) read(i int, bdu bool) byte {
	pair := i/2 + 1
	if i%2 == 0 {
		o.held = 0
		if bdu {
			o.held, o.high = pair, o.b[i+1]
		}
		return o.b[i]
	}
	if bdu && o.held == pair {
		o.held = 0
		return o.high
	}
	return o.b[i]
}
