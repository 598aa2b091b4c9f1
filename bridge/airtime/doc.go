// Package airtime says how long a LoRa frame is on the air (Params), and when
// the next one may go out (Budget). It is pure: it asks no clock and writes no
// file, both come from the caller.
//
// # Time on air
//
// Params covers SF5 to SF12 and every bandwidth of the SX127x and SX126x
// families, by the formula of their data sheets. The result is exact, because a
// quarter of a symbol is a whole number of nanoseconds at each of them. One
// TimeOnAir takes 70 ns.
//
// # Budget
//
// A Budget looks at a sliding hour. What a frame costs is its time on air times
// the transmissions that it causes (Limits.Repeats). Of the budget
// (Limits.Airtime),
//   - a part is kept for emergencies (Limits.Reserve); they may have that, what
//     is left of the rest, and more, and wait for nothing but Limits.Duty;
//   - one sender gets at most a quarter;
//   - notices together get at most a twentieth;
//   - routine and welfare that waited over 2 h go before priority until they had
//     a tenth.
//
// A sender's or the notices' share that is smaller than one frame still lets
// one through an hour: else a slow mesh would never carry any.
//
// Which frame is next the queue's courier decides, by the answers to Wait and
// OldOwed; Forecast plays a whole queue through. Spend takes the airtime:
//
//	wait, why := budget.Wait(clock.Age(), frame)
//	if wait == 0 {
//		err := budget.Spend(clock.Age(), frame, store)
//		// send only if err == nil
//	}
//
// # Accounting
//
// The count errs on the safe side only. Time is kept in slots of a minute, and
// what was spent counts until its whole slot is an hour old, from when its last
// repeat can have ended; that costs about a hundredth of the budget. A slot has
// at most 16 entries; what more senders spend in it counts against all of them.
// So a link never needs more than some 1000 entries, usually a few dozen.
//
// Airtime is committed before use, in blocks: a block covers the frames of at
// most a minute and a sixtieth of the budget, or one frame if that is more. A
// block that was open at a crash counts as used to its end, against every share.
// So a crash costs at most a block and never gives airtime back, and a busy link
// writes about once a minute, a quiet one once a frame. All is reckoned in
// clock.Age, which is a lower bound of the time that really passed: time off
// counts only while the clock is trusted.
package airtime
