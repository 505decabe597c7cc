// Package change says whether a hitter's measure has changed.
//
// Swings nest in days. What a day brings (the camera put up anew, a tired
// hitter, another bat) moves all of its swings together, so forty swings of one
// evening are not forty looks at the hitter: the days are. JCGM 100:2008, H.5
// works the same case with voltmeter readings nested in days; leaving the days
// out there makes the uncertainty a third too small.
//
// # Model
//
// Swing j of day i of a period is m + a_i + e_ij: m the period's mean, a_i the
// day's own shift of variance B, e_ij the swing's own of variance W. W holds the
// hitter's scatter and the measurement's error from swing to swing; B holds what
// a day changes, the camera's place among it. An error that every clip of the
// hitter shares cancels in a comparison.
//
// W and B come from the mean squares of a one-way analysis of variance within
// each period, pooled over the periods and, where told, over other hitters'
// periods. The difference of two periods is that of the plain means of their day
// means; its variance is a combination of the two mean squares, with effective
// degrees of freedom by Welch and Satterthwaite (JCGM 100:2008, G.4). With as
// many swings each day this is the t test on day means, and exact.
//
// # Words
//
// Typical error is the square root of W: how far one swing of a day lies from
// that day's mean (Hopkins 2000, Sports Med 30(1):1-15; Weir 2005, J Strength
// Cond Res 19(1):231-240 calls it SEM). MDC95 is 1.96 sqrt 2 typical errors:
// two single swings of one day that differ by less may be the same.
package change
