// Package boltstore keeps the queue in one bbolt file: the store of a gateway
// that is one small computer with an SD card.
//
// One goroutine commits. It takes every Apply that waits, carries all of them
// out in one transaction and answers each caller when the disk has it: alone, a
// caller waits for one commit; many share one. Lazy ops ride along.
//
// The schedule lies on disk beside the records, as indexes that are a function
// of the records (schedule.go). A start reads counters and no records, so
// neither a million waiting nor a million finished slow it. Small indexes stay
// inside bbolt's root page and cost no page of their own.
//
// Finished records stay until Purge. A file of which much is free is compacted
// while the store works (compact.go).
//
// What happens when things break:
//
//   - Killed at any moment: what Apply reported is there, the rest is not.
//   - Disk full: New gets queue.ErrFull, lazy ops are kept and tried again, reads
//     go on; once there is room the same store works again.
//   - Bits flip in a record: its checksum tells; it reads as queue.ErrDamaged, is
//     taken out of the schedule and counted. The others are not touched.
//   - A page of the file is damaged or missing, found at open or while running:
//     the file is set aside as queue.damaged-<time>.db, what can be read goes into
//     a fresh one, and the log says how much. Where the way to a record is lost, an
//     older copy of it may be all that is found: it is then sent once more.
//   - The file was written by a newer posthouse: Open refuses and leaves it alone.
package boltstore
