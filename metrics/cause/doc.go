// Package cause finds cause chains in a measured swing: a first move that is off,
// what usually follows from it, and what that does to the swing. It scores
// nothing.
//
// # The rule
//
// A chain is raised only when every one of its links lies beyond its limit by
// more than its own uncertainty: with the link's value v, standard uncertainty u
// and limit L, (v - L)/u above 1.645 (or below -1.645), so that the chance of
// being within the limit is under one in twenty. That is the guarded decision of
// JCGM 106:2012, 8.3.3, with a guard band of 1.645 u. A link that could not be
// measured stops the chain; so does one within its limit. Nothing is guessed.
//
// The surety of a chain is at least one minus the sum of its links' chances of
// being within their limits (Bonferroni's inequality), whatever errors the links
// share.
//
// # One thing first
//
// At most one raised chain is named as the thing to work on first: the one whose
// first link comes earliest in the swing, since mending an early move can mend
// what follows from it, and the surer one of two that start together.
//
// # Chains are data
//
// chains.yaml beside this holds the ones that ship, with the source of every
// limit. A coach can write others: Load checks a file against
// chains.schema.json and against the catalogue and says file, line and what is
// wrong.
package cause
