//go:build hub

// Package etcdstore keeps the queue in an etcd cluster, for a hub of several
// posthouse processes that share one queue and survive the loss of a machine.
//
// etcd is authoritative: one key for each record, identity and setting, all under one
// prefix for each gateway (key.go). Each process has a mirror of it in a file of its
// own, updated by a watch from revision to revision (follow.go), and the mirror answers
// all reads, with the indexes of boltstore. So a read costs no round trip, memory does
// not grow with the queue, and a process sees its own writes at once (Apply waits for
// the mirror), those of others a moment later. A read may be stale, a write never is.
//
// One goroutine writes (commit.go). It writes what waits in one etcd transaction, with a
// comparison for everything that it relied on:
//
//   - A record is created if its identity's key does not exist: that is the duplicate
//     check across all processes.
//   - A change is made if the record's revision is the one that was read.
//   - A record's number is above all that the process has seen (number.go), and its key
//     must not exist yet.
//   - The process's lease is alive, and its last transaction is the expected one. A
//     process that was taken for dead cannot write any more.
//
// The processes divide the work (own.go, queue.Share), all of it on their leases:
//
//   - A part is a key under the lease of the process that has it, created if nobody has
//     it. One part is to lead: to run the links that may exist only once. The lanes of
//     links that run in every process are divided into 64 shares, and what comes in by
//     trunks into four, evenly among the processes.
//   - A process that has too many shares gives some up, each once everything that it took
//     from the share is filed. The new owner begins once its mirror shows everything that
//     was written before. So nothing is sent twice when work is divided anew.
//   - Before sending, a process checks its lease by its own clock, on which the lease ends
//     a fifth of its time earlier than in etcd; writes are fenced as above. What a link has
//     taken but is not filed when a process dies is sent once more: five seconds' worth, as
//     long as a lazy change may wait, or more if writes had no answer before.
//   - A process whose lease has ended has lost its part for good, and ends.
//   - Changes of settings by other processes are news (news.go), by which the bridge
//     updates its memory.
//   - Numbers that no two processes may use are drawn from a setting (Draw).
//
// etcd takes 128 comparisons or changes in one transaction. An Apply of more, even a single
// op that sets more values, takes several transactions, in order; after an error the first
// of them may have taken effect.
//
// When things break:
//
//   - A write without an answer (a timeout, a member that died) may have taken effect, or
//     may yet. The process finds out before it writes anything else: it reads the number of
//     its last transaction, and if the write is not there it writes that number again, so
//     that the old write can never take effect (settle.go). A caller waits for that for a
//     while, then gets queue.ErrUncertain.
//   - No majority: as above. Reads go on from the mirror.
//   - etcd's space quota is used up (alarm NOSPACE): queue.ErrFull, once it is known that
//     the write has not taken effect (settle.go); near the end of the quota only receipts
//     and emergencies are accepted (room.go).
//   - The history that the mirror needs was compacted, or the mirror is damaged: it is
//     filled again, as at each start.
//   - The lease has ended: the process writes nothing until it has joined again; one that
//     had a part in the work never writes again (hub.go).
package etcdstore
