// Package phases finds the events of a swing in a vision.Track and the phases
// between them. It is pure Go and runs on a Track read from JSON.
package phases
