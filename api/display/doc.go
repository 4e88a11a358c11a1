// Package display shows guidance on a small screen at the tripod: 128x64 dots
// behind an SSD1306 on an I²C bus, by periph's driver.
//
// What is shown of a snapshot (Compose) and how it is drawn (Draw) are pure; Display
// keeps the glass up to date. An old sentence must not stand there as if it were of
// now: numbers go when the snapshot is old, a mark moves at the edge for as long as
// the program lives, and the glass is dark when it has ended.
//
// Sensors may share the bus, so the screen is written in pieces of which each takes 1.3
// ms at 100 kHz at most; see pieces. The bus may let them wait for the sensors.
package display
