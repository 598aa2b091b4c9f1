// Package boltstore keeps the queue in one bbolt file, with a write-ahead log
// beside it: the store of a gateway that is one small computer with an SD card.
//
// One goroutine commits. It takes every Apply that waits, drafts what they come
// to (draft.go), writes that to the log with one sync (wal.go), changes what the
// store holds (edit.go) and answers each caller: alone, a caller waits for one
// sync; many share one. Lazy ops ride along, or are in the log within 20 ms and
// synced within five seconds: a kill takes nothing of them, only a power cut does.
//
// A commit of bbolt takes two syncs and some nine pages, so it is one for many
// group commits: a transaction stays open, and all reads go through it, one at a
// time. A minute after its first change, or when the log has grown by 1 MiB, a
// checkpoint commits it, and the log begins anew (checkpoint.go). Reads and
// writes wait for that. After a crash, a start carries out the log's edits on the
// data file.
//
// The schedule lies on disk beside the records, as indexes that are a function
// of the records (schedule.go). A start reads counters and no records, so
// neither a million waiting nor a million finished slow it. Small indexes stay
// inside bbolt's root page and cost no page of their own. Identities are hashes and
// would change a page each: they are written as sorted runs (identities.go).
//
// Finished records stay until Purge. A file of which much is free is compacted
// while the store works (compact.go).
//
// What happens when things break:
//
//   - Killed at any moment: what Apply reported is there, the rest is not.
//   - The power goes in the middle of a checkpoint: the data file is as it was at
//     the last one, and the log has what came since.
//   - Disk full: the log has its room already; once a checkpoint has failed, New
//     gets queue.ErrFull, and what is left of the log is for receipts, emergencies
//     and changes. When that is full, too, lazy ops are kept and tried again. Reads
//     go on; once there is room the same store works again.
//   - Bits flip in a record: its checksum tells; it reads as queue.ErrDamaged, is
//     taken out of the schedule and counted. The others are not touched.
//   - A page of the file is damaged or missing, found at open or while running:
//     the file is set aside as queue.damaged-<time>.db, what can be read of it and
//     of its log goes into a fresh one, and an error line says how much. Where the
//     way to a record is lost, an older copy of it may be all that is found: it is
//     then sent once more.
//   - A frame of the log breaks before others: what it held is lost, the others
//     count, an error line says so, and a copy is kept as queue.damaged-<time>.wal.
//   - The log is gone, or another data file was put beside it (an old copy): the
//     data file counts, a line says so, a log that does not fit is kept as above.
//   - Writing or syncing the log fails: the commit is refused, and the next one goes
//     into the data file. When that fails as well, what lazy ops have changed stays so
//     and is written again. Syncing the data file fails: nothing is confirmed until the
//     disk has what it missed (settle in checkpoint.go).
//   - The process ends after a sync that failed: the next start has the disk take the
//     log's last frame and the data file's newest meta page anew, since the kernel says
//     that it has them.
//   - The file was written by a newer posthouse: Open refuses and leaves it alone.
//     An older one, from before the log or the runs of identities, is taken over with
//     the first checkpoint.
package boltstore
