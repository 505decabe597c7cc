package worker

import "errors"

// Sentinels that callers test with errors.Is.
var (
	// ErrStorage: the home directory, the ledger or the record store cannot be
	// read or written.
	ErrStorage = errors.New("storage is unavailable")
	// ErrQueue: the queue cannot be opened or reached.
	ErrQueue = errors.New("the queue is unavailable")
	// ErrUnknownJob: the ledger has no such job.
	ErrUnknownJob = errors.New("no such job")
	// ErrNoRecord: the store has no such record.
	ErrNoRecord = errors.New("no such record")
	// ErrDamaged: a stored file is not what was written.
	ErrDamaged = errors.New("the stored record is damaged")
	// ErrFull: a disk or the queue has no room left. It stands beside ErrStorage or
	// ErrQueue.
	ErrFull = errors.New("there is no room left")
	// ErrRecorded: the job already has its record.
	ErrRecorded = errors.New("the job already has a record")
	// ErrNoMaker: a stored track does not say what made it, so that no record can
	// be made from it that does.
	ErrNoMaker = errors.New("its track is of a version that did not say what made it; measure the clip again")
)
