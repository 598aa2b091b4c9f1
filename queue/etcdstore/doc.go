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
//   - A part is a key under the lease of the process that has it, created where
//     nobody has it. One part is to lead: to run the links that may exist once only.
//     The lanes of links that run in every process lie in 64 shares, and what comes in by
//     trunks in four, as many for each process as for any other, but for one.
//   - A process that has too many shares gives some up, each when what it had taken
//     from it is filed. A new owner begins when its mirror shows all that was written
//     before. So nothing goes out twice when work is divided anew.
//   - Whoever sends asks the lease first, by the process's own clock, which lets it end
//     a fifth of its time before etcd does; and whoever files is fenced as above. What
//     a link has taken and is not filed when a process dies goes out once more: five
//     seconds' worth, as long as a lazy change may wait, and more where writes had no
//     answer before.
//   - A process whose lease ran out has lost its part for good, and ends.
//   - What others change in settings is news (news.go), by which the bridge keeps up
//     what it has in memory.
//   - Numbers that no two processes may use are drawn from a setting (Draw).
//
// etcd takes 128 comparisons or changes in one transaction. An Apply of more, also
// one op that sets more values, is carried out in several, in order; after an error
// the first of them may have taken effect.
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
//   - The lease ran out: the process writes nothing until it has joined anew, or, with
//     a part in the work, never again (hub.go).
package etcdstore
