// Package bridge takes a message through the gateway, a file for each step:
//
//	bridge.go      a gateway: its links, couriers and clerk
//	host.go        what a link may ask of the bridge
//	accept.go      an incoming message is stored or refused before its link confirms it
//	plan.go        it is normalised, identified, checked and routed
//	record.go      an accepted message becomes a record
//	identity.go    what "the same message" means
//	address.go     the addressee, if a phone could not name it
//	gather.go      joins the parts of a text that another gateway has split
//	refusals.go    a bounded log of what was refused
//	spending.go    gives rate allowances back if nothing was stored
//	route.go       which links a message takes
//	naming.go      the ids under which its frames are acknowledged
//	carry.go       checks what a courier has chosen once more, and sends it
//	frames.go      fits it to the medium, one frame for each part
//	outcome.go     files the result: done, try again later, held or failed
//	pace.go        airtime, on a link that has a budget
//	receipt.go     matches an acknowledgement to its message, and passes it to the writer
//	tell.go        notices to the writer
//	turn.go        a few notices an hour; the others wait and are combined into one
//	heard.go       who was heard where
//	release.go     sends held messages once their station is heard
//	roam.go        reroutes messages to where their addressee was heard since
//	position.go    where stations are, for APRS and for far gateways
//
// What happens by time:
//
//	expire.go      the clerk: ends lifetimes, tells writers of held texts, purges old records
//	sweep.go       ends what waits from or for stations that were blocked
//	forget.go      removes small values that are no longer needed
//	allowlist.go   who may write by mail without being asked, and declare an emergency
//	emergency.go   alerts about emergencies, and that nobody confirms them
//	trouble.go     alerts about links, disk and clock
//	silence.go     which silence of a link is unusual
//	alert.go       how alerts reach the operators
//
// Between gateways:
//
//	far.go         which stations far gateways hear, of those that are written to
//	seek.go        subscribes to that on the trunks, and announces our own stations
//	partner.go     which gateway gets a message, and how many may be on their way there
//	farplace.go    positions of stations that far gateways hear
//	custody.go     a far gateway takes a message over, or hands one to us
//	farreceipt.go  the outcome goes back from gateway to gateway
//	astray.go      reroutes what waits for a gateway that is not alive
//	untrusted.go   holds what came under a key that is no longer trusted
//	clockoff.go    tells the others while our clock is wrong
//	sibling.go     of several gateways on one mesh only one transmits
//	taken.go       they tell each other what they have taken over
//	shadow.go      the others keep copies (shadows) in case it falls silent
//	handover.go    the others hand what waits for the mesh to the one that transmits
//	unsaid.go      tells of what was refused while none transmitted
//	overheard.go   acknowledgements that only another gateway of the mesh heard
//	hub.go         one gateway in several processes
//
// For the operator:
//
//	control.go     quiet, block and send
//	operate.go     hold, release, retry, move and drop
//	exercise.go    an exercise begins and ends
//	logbook.go     what waits, what became of each message, who was heard
//	told.go        who was told what became of a message
//	recent.go      the latest messages
//	view.go        a record as the desk shows it
//	day.go         the totals of the last 24 hours
//	gauges.go      metrics that are computed from time to time
//	meter.go       what is counted
//	journal.go     every transmission, in a file for each day
//	judge.go       what would become of a text, without a running gateway
//	judgeturn.go   the same for a series of texts
//	restore.go     makes a store from a backup safe to run with
//
// The bridge promises: what Accept took over is on disk, and is then delivered,
// or its failure is on record and its writer was told. It leaves the media to
// the adapters, the schedule to the queue, and every judgement to the pure
// packages rules, route, fit and airtime.
package bridge
