// Package rules holds what a swing's numbers are held against, in one file: chains
// of causes and reference bands. It scores nothing.
//
// # Chains
//
// A chain is a first move that is off, what usually goes with it, and what that
// can lead to. It is raised only when every one of its links lies beyond its limit
// by more than its own uncertainty: with the link's value v, standard uncertainty u
// and limit L, (v - L)/u above 1.645 (or below -1.645), so that the chance of
// being within the limit is under one in twenty. That is the guarded decision of
// JCGM 106:2012, 8.3.3, with a guard band of 1.645 u. A chain that was not raised
// is kept with the link that stopped it: one that is clearly within its limit,
// else one that could not be measured, else one too uncertain to say.
//
// The surety of a chain is at least one minus the sum of its links' chances of
// being within their limits (Bonferroni's inequality), whatever errors the links
// share.
//
// At most one raised chain is named as the thing to work on first: the one whose
// first link comes earliest in the swing, since mending an early move can mend
// what follows from it, and the surer one of two that start together.
//
// # Bands
//
// A band is what others measured in hitters of one sport and level. It stands
// beside a number and judges nothing. Where the sport or the level was not told,
// none is shown.
//
// # Rules are data
//
// rules.yaml beside this holds those that ship, with the source of every limit. A
// coach's own file of the same form is read after it: see Load. A record names the
// set that it was held against by name and SHA-256, and carries the findings, so
// that whoever shows it computes nothing anew.
package rules
