// Package daemon is the loop: it reads the sensors, estimates, guides and
// publishes. It knows nothing of HTTP or of the command line.
package daemon
