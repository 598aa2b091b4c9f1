// Package boltstore keeps the queue in one bbolt file, with a write-ahead log
// beside it: the store of a gateway that is one small computer with an SD card.
//
// One goroutine, the committer, writes. It takes all Applies that wait, plans their
// edits (draft.go), writes these to the log with one sync (wal.go), changes the store
// (edit.go) and answers each caller (group commit). Lazy ops go along with the next
// commit, or are in the log within 20 ms and synced within five seconds: a kill loses
// none of them, only a power failure does.
//
// A commit of bbolt takes two syncs and some nine pages, so there is one for many
// group commits: a transaction stays open, and all reads go through it, one at a
// time. A minute after its first change, or when the log has grown by 1 MiB, a
// checkpoint commits it, and the log begins anew (checkpoint.go). Reads and writes
// wait for that. After a crash the next start replays the log.
//
// The schedule lies on disk beside the records, as indexes that are a function of the
// records (schedule.go). A start reads counters and no records, so neither a million
// waiting nor a million finished slow it. Small indexes stay inside bbolt's root page
// and cost no page of their own. Identities are hashes, each of which would change a
// page: they are written as sorted runs (identities.go).
//
// Finished records stay until Purge. A file with much free space is compacted while the
// store works (compact.go), and one that was written much is
// opened anew, since bbolt remembers each page that it wrote (renew.go).
//
// What happens when things break:
//
//   - Killed at any moment: what Apply reported is there, the rest is not.
//   - Power failure during a checkpoint: the data file is as it was at the last one, and
//     the log has what came since.
//   - Disk broken or read-only: Apply gives the disk's error, and nothing counts as full.
//     Receipts, emergencies and changes still go into the log as long as that can be written.
//     Once the disk works again the same store does.
//   - The disk fell off and was mounted again: what is open stays on the one before. Nothing
//     new is taken over, and Removed tells that the store has to be opened again.
//   - The files are removed while they are in use: nothing new is taken over, and Close puts
//     the data file back (removed.go).
//   - Disk full: the log has its space already. Once a checkpoint has failed, New gets
//     queue.ErrFull, and the rest of the log is for receipts, emergencies and changes.
//     When that is full, too, lazy ops are kept and tried again. Reads go on; once there
//     is room the same store works again.
//   - Bits flip in a record: its checksum shows it. The record reads as queue.ErrDamaged,
//     is taken out of the schedule and counted; the others are not touched.
//   - A page of the file is damaged or missing, found at open or while running: the file
//     is set aside as queue.damaged-<time>.db, what can be read of it and of its log goes
//     into a fresh one, and an error line says how much. If only an older copy of a record
//     can be found, that message may be sent once more.
//   - A frame in the middle of the log is damaged: its edits are lost, the others count, an
//     error line says so, and a copy is kept as queue.damaged-<time>.wal.
//   - The log is missing, or belongs to another data file (an old copy was put beside it):
//     the data file counts, a line says so, and such a log is kept as above.
//   - Writing or syncing the log fails: the commit is refused, and the next one goes into
//     the data file. If that fails as well, changes by lazy ops stay in memory and are
//     written again. Syncing the data file fails: nothing is confirmed until it has been
//     synced (settle in checkpoint.go).
//   - The process ends after a failed sync: the next start writes the log's last frame and
//     the data file's newest meta page again, since the kernel takes them for written.
//   - The file was written by a newer posthouse: Open refuses and leaves it alone. An older
//     one, from before the log or the runs of identities, is converted by the first
//     checkpoint.
package boltstore
