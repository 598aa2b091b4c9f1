// Package airtime says how long a LoRa frame is on the air and when the next
// one may go out.
package airtime
