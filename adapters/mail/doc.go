// Package mail connects the gateway to e-mail: a small SMTP server for mail to
// stations, and an SMTP client that sends mail from stations through one smarthost. If
// the internet cannot reach the gateway it fetches mail from a mailbox (IMAP).
//
// In: the recipient is callsign@domain (or a group's or alias's name). Whatever
// cannot be carried is refused in the SMTP dialogue, never by a later bounce.
// The sender is the header's From, and it counts only when one of the
// operator's own relays hands the mail in or a DKIM signature that is aligned
// with it is valid; the envelope sender proves nothing. All recipients of one
// mail are taken over in one Accept, and 250 is answered only when all of them
// are on disk.
//
// From a mailbox the same is taken, by To and Cc, and a mail is marked as seen only
// when it is on disk or refused for good. The provider's Authentication-Results count
// if the operator says so. Since no SMTP client waits for an answer there, the bridge
// sends a notice about a refusal to a sender who is allowed to write.
//
// The first plain text of a mail is taken (HTML is converted if there is none), without
// quoted replies and signature; attachments are named, never carried. The subject is put
// in front of a text that is not an answer, since people write half of the message there.
//
// Out: each message is a mail of its own from the gateway's domain, with the station in
// the name and a Reply-To to which a plain answer finds its way. The envelope sender is a
// bounce address that names the message under an HMAC, so that only a delivery report
// about a mail of ours can change its result.
//
// Nothing here retries, stores or routes: that is the bridge's and the queue's.
package mail
