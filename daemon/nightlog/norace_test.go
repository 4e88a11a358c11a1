//go:build !race

package nightlog

const underRace = false
