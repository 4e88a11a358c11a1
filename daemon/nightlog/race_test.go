//go:build race

package nightlog

// underRace: the race detector takes ten times the time and memory, so figures of
// cost mean nothing.
const underRace = true
