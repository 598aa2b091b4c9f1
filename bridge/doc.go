// Package bridge is the way of one message through the gateway, a file a step:
//
//	bridge.go      a gateway: its links, couriers and clerk
//	host.go        what a link may ask of it
//	accept.go      what comes in is on disk, or refused, before its link hears so
//	plan.go        it is normalised, identified, checked and routed
//	record.go      what is taken over becomes a record
//	identity.go    what "the same message" means
//	address.go     whom it is for, when a phone could not say it
//	gather.go      parts of a text that another gateway has split become one again
//	refusals.go    what was not taken over, as far as that is kept
//	spending.go    what a sender's allowances get back when nothing came on disk
//	route.go       which links it takes
//	naming.go      the ids under which its frames are acknowledged
//	carry.go       a courier's choice is looked at once more, and sent
//	frames.go      it is fitted to the medium, a frame a part
//	outcome.go     what came of it is filed: done, again later, held or failed
//	pace.go        airtime, on a link that has a budget
//	receipt.go     an acknowledgement finds its message, and goes back to the writer
//	tell.go        who wrote hears what became of it
//	turn.go        he hears so a few times an hour; the rest waits, and is told as one
//	heard.go       who was heard where
//	release.go     what waited for a station is let go
//	roam.go        what waits elsewhere goes to where its addressee was heard since
//	position.go    where stations are, for APRS and for far gateways
//
// What time asks for:
//
//	expire.go      the clerk: lifetimes end, held messages are told of, old ones go
//	sweep.go       what waits of those who were blocked ends
//	forget.go      small values that nobody will ask for again go
//	emergency.go   people hear of an emergency, and that nobody confirms it
//	trouble.go     they hear of links, disk and clock
//	silence.go     which silence of a link is unusual
//	alert.go       the way to them
//
// Between gateways:
//
//	far.go         whom far gateways hear, of those that somebody writes to
//	seek.go        what the trunks are asked for that, and told of our own stations
//	partner.go     which gateway gets a message, and how many may be on their way there
//	farplace.go    where stations are that far gateways hear
//	custody.go     a far gateway takes a message over, or hands one to us
//	farreceipt.go  what became of it goes back from gateway to gateway
//	astray.go      what waits for a gateway that is not alive takes another way
//	untrusted.go   what a key brought that is not believed any more is held
//	clockoff.go    while the clock is wrong the others are told so
//	sibling.go     of several gateways of one mesh one transmits
//	taken.go       they tell each other what they have in hand
//	shadow.go      the others keep shadows, in case it falls silent
//	handover.go    what waits for its mesh goes to the one that transmits
//	overheard.go   acknowledgements that only another one heard
//	hub.go         one gateway in several processes
//
// For the operator:
//
//	control.go     quiet, block and send
//	operate.go     what can be done with one message of the queue
//	exercise.go    an exercise begins and ends
//	logbook.go     what waits, what became of each message, who was heard
//	recent.go      the latest of it
//	view.go        a record as the desk shows it
//	day.go         what passed in the last 24 hours
//	gauges.go      metrics that nothing else moves
//	meter.go       what is counted
//	journal.go     each transmission in a file a day
//	judge.go       what would become of a text, without a running gateway
//	judgeturn.go   the same for one text after the other
//	restore.go     a store that a backup brought back is made safe to go on with
//
// The bridge promises: what Accept took over is on disk, and is then delivered,
// or its failure is on record and its writer was told. It leaves the media to
// the adapters, the schedule to the queue, and every judgement to the pure
// packages rules, route, fit and airtime.
package bridge
