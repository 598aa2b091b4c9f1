// Package mail joins the gateway to e-mail: a small SMTP server for what people
// write to stations, and an SMTP client that hands what stations write to one
// smarthost. Where no mail server reaches the gateway it fetches from a mailbox.
//
// In: the recipient is callsign@domain (or a group's or alias's name). Whatever
// cannot be carried is refused in the SMTP dialogue, never by a later bounce.
// The sender is the header's From, and it counts only when one of the
// operator's own relays hands the mail in or a DKIM signature that is aligned
// with it is valid; the envelope sender proves nothing. All recipients of one
// mail are taken over in one Accept, and 250 is answered only when all of them
// are on disk.
//
// Out of a mailbox the same is taken, by To and Cc, and a mail is marked as seen
// only when it is on disk or refused for good. Its provider's finding of who
// wrote it counts where the operator says so. Nobody waits for an answer there,
// so the bridge tells who may write of a refusal.
//
// From the mail the first plain text is taken (HTML becomes text when there is
// none), without quoted replies and signature; attachments are named, never
// carried. The subject is put in front of a text that is not an answer, since
// people write half of the message there.
//
// Out: each message is a mail of its own from the gateway's domain, with the
// station in the name and an address to which a plain answer finds its way. The
// envelope sender is a bounce address that names the message under an HMAC, so
// that only a delivery report that answers a mail of ours can change its result.
//
// Nothing here retries, stores or routes: that is the bridge's and the queue's.
package mail
