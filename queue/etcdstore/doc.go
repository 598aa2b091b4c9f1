//go:build hub

// Package etcdstore keeps the queue in an etcd cluster, for a hub of several
// posthouse processes that share one queue and outlive the loss of a machine.
//
// etcd is the truth: a key a record, a key an identity, a key a setting, all
// under one prefix for each gateway (key.go). Each process keeps a mirror of it
// in a file of its own, fed by a watch from revision to revision (follow.go),
// and the mirror answers every read: its indexes are those of boltstore. So a
// read costs no round trip, memory does not grow with the queue, and what a
// process has written itself it sees at once: Apply waits for the mirror. What
// others have written it sees a moment later. A read may be stale, a write never is.
//
// One goroutine writes (commit.go). It carries out what waits in one etcd
// transaction, with a comparison for all that it went by:
//
//   - A record is created if its identity's key does not exist: that is the
//     duplicate check across all processes.
//   - A change holds if the record's revision is the one that was changed.
//   - Numbers come from one key, changed in the same transaction: they grow by
//     one, in the order of acceptance, whichever process accepted.
//   - The process's lease lives, and its last transaction is the one it thinks.
//     A process that was taken for dead can write nothing more.
//
// etcd takes 128 comparisons or changes in one transaction. An Apply of more is
// carried out in several, in order; after an error the first of them may have
// taken effect.
//
// When things break:
//
//   - A write without an answer (a timeout, a member that died) may have taken
//     effect, or may yet. The process finds out before it writes anything else:
//     it reads its own last transaction's number, and writes it anew where the old
//     one is not there, which keeps the old one from ever taking effect (settle.go).
//     A caller waits for that for a while, then gets queue.ErrUncertain.
//   - No majority: as above. Reads go on from the mirror.
//   - etcd's space quota is used up (alarm NOSPACE): queue.ErrFull, once it is known
//     that the write has not taken effect all the same (settle.go); near the end of
//     the quota only receipts and emergencies are let in (room.go).
//   - The history that the mirror needs was compacted: the mirror is filled anew.
//   - The mirror is damaged: it is filled anew. It is made anew at each start.
//   - The lease ran out: the process writes nothing until it has joined anew (hub.go).
package etcdstore
