// Package worker carries clips from submission to stored record and loses none.
//
// A Job is one clip with what is known about its hitter. Submit writes it to
// the Ledger and puts it on the Queue; a Worker takes it, has an Analyzer
// measure it in a child process, stores the result in Records, publishes it,
// and acknowledges it, in that order.
//
// # Who knows what
//
//   - The record store is the truth about what has been done. A job's records
//     are one directory, renamed into place in one step, keyed by Job.ID
//     (clip hash, subject, pipeline version). Whatever runs a job twice stores
//     it once.
//   - The queue (NATS JetStream) only decides who works on what. It may lose a
//     job or deliver it again.
//   - The ledger (SQLite) remembers every job that was submitted and finds what
//     the queue lost: see Reconcile.
//
// # Life of a job
//
// State is written in the ledger. Words on an arrow say what moves a job.
//
//	submit --> submitted -- published --> queued -- taken --> running --+-- record stored -----> measured
//	               ^                         ^                 |  |  ^   +-- nothing to measure -> unmeasured
//	               |                         +-- handed back --+  |  |   +-- bad clip, given up -> dead
//	               |                                    try later |  | taken
//	               |                                              v  |
//	               |                                            waiting
//	               |
//	               +-- lost by the queue: from queued, running, waiting
//	               +-- retry, a new round: from dead, unmeasured, or a damaged record
//	               +-- nothing else waits: from held, where submit puts a job of low priority
//
// measured, unmeasured and dead are final: each has a stored record, which for
// the latter two says what was wrong. A dead job also has an entry in the
// dead-letter stream. Any open state gives way to a final one, because the
// record store outranks the ledger.
//
// # Verdicts
//
// What happens after an error is decided in one place, Decide, by the error's
// Class: nothing to measure (store that, acknowledge), bad clip (store that,
// dead letter, terminate), broken analysis (again, twice at most), transient
// (again later, five times at most), away (storage or queue does not answer: again
// later, and no attempt is used up), shutdown (hand back at once).
//
// # Walls
//
// Clips come from anyone, and what decodes them is native code. Only a Child's
// process opens one. Walls says what the kernel keeps that process from: the rules
// of Landlock are put up round the thread that starts it, so that it is never outside
// them, and the process gives up the rest of its system calls (Confine) before it
// reads its request. Where a kernel lacks a wall, log and status say which.
//
// # Order of finishing
//
// Stills, track and record are written and synced, the event is published, the
// ledger is updated, the job is acknowledged with a confirmed ack. A crash
// between any two of these is repaired by delivering the job again: the worker
// finds the record and only repeats the later steps.
//
// # Making a record anew
//
// A newer version that only measures otherwise needs no clip: Remake makes its
// record from the stored tracks, under the ID that the clip would get if it were
// submitted now. Records are never overwritten; of a clip with several, the one
// made last counts.
//
// # Forgetting
//
// Forget removes a hitter from every store and counts each before and after, by
// reading it anew; Expire does the same by age. First the jobs are marked in the
// record store, under the lock that whoever stores a record shares (Records.hold):
// after that nothing of them can be stored by anyone, however far an analysis, a
// retry or a remake has come. Then the stores are emptied. The queue's server
// keeps the bytes of acknowledged messages in its blocks, so a stream that still
// names a job is emptied and filled again.
//
// Consent is kept per hitter; MayShare is asked before anything leaves the home.
//
// # One home directory
//
//	queue/        the embedded server's store, behind an exclusive lock
//	queue/damaged/  the store before that, when it was damaged and set aside
//	queue.json    address and one-time token of the running embedded server, mode 0600
//	ledger.db     the ledger
//	tokens.json   hashes of access tokens, mode 0600
//	records/ID/   SHA256SUMS, and in N/ swing N: record, stills, track (gzip), timeline
//	records/.forgotten/  marks of forgotten jobs, by a hash of their ID
//	scratch/      what running analyses write
//
// Homes of several hosts may share a queue and a depot (package depot): clips lie in
// it under their hash, and each record is put into it before it is announced, so that
// Reconcile brings it to the home that submitted the clip.
//
// The queue's store can be open in one process only. `nightcage work` opens it
// and listens on loopback; other processes of the same home find it through
// queue.json. When no worker runs, whoever needs the queue opens the store for
// that moment. When a worker that held the store leaves, another one of the
// same home takes it over.
package worker
