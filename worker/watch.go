package worker

const watchedSchema = `
CREATE TABLE IF NOT EXISTS watched (
  path TEXT PRIMARY KEY,
  team TEXT NOT NULL,
  hitter TEXT NOT NULL,
  size INTEGER NOT NULL,
  mtime_ns INTEGER NOT NULL,
  clip_sha256 TEXT NOT NULL,
  said TEXT NOT NULL
) STRICT;
`
