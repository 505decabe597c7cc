// Package sheet makes what a coach hands to a player: a page to print with one
// picture and one cue, and a short slowed clip with the lines drawn on it, to play
// and to send. No number on it invites to be beaten.
package sheet
