package simulation

import (
	"testing"

	"posthouse/queue/queuetest/plant"
)

// TestPlantedBugsAreFound: the verdict says of each what is wrong.
func TestPlantedBugsAreFound(t *testing.T) {
	if testing.Short() || withRace {
		t.Skip("builds a program with every bug in it, without the race detector")
	}
	plant.Field{Test: "TestSeeds", Flags: []string{"-first"}, Tries: 20}.Find(t, bugs)
}

var bugs = []plant.Bug{
	{
		Name: "confirmed before it is on disk", File: "bridge/accept.go",
		Old:     "	verdicts, err := b.carryOut(ctx, ln, plans)\n",
		Planted: "	if planted(%q) && len(plans) == 1 && len(plans[0].ops) > 0 && plans[0].ops[0].New != nil && plans[0].ops[0].New.Message.Kind == message.Text {\n		go func() { time.Sleep(5 * time.Second); b.carryOut(context.Background(), ln, plans) }()\n		return make([]link.Verdict, len(in)), nil\n	}\n	verdicts, err := b.carryOut(ctx, ln, plans)\n",
		Finds:   `invariant 1`, Seed: 12,
	},
	{
		Name: "duplicates are looked for before the write and not in it", File: "bridge/plan.go",
		Old:     "	deliveries, ref := b.consider(ln, home, m, !known)\n",
		Planted: "	deliveries, ref := b.consider(ln, home, m, !known)\n	if planted(%q) && !known {\n		time.Sleep(50 * time.Millisecond)\n		same = 0\n	}\n",
		Finds:   `invariant 2`, Seed: 16,
	},
	{
		Name: "the writer gets no receipt", File: "bridge/receipt.go",
		Old:     "		if b.takesReceipts(m) {\n			r.Receipted",
		Planted: "		if b.takesReceipts(m) && !planted(%q) {\n			r.Receipted",
		Finds:   `never heard of it`, Seed: 1,
	},
	{
		Name: "a failure is not told", File: "bridge/receipt.go",
		Old:     "		if told == untold {\n",
		Planted: "		if planted(%q) || told == untold {\n",
		Finds:   `not told`, Seed: 2,
	},
	{
		Name: "the last frame of an hour is not counted", File: "bridge/airtime/budget.go",
		Old:     "return used+s.cost <= s.max ||",
		Planted: "return used+s.cost <= s.max || planted(%q) && used <= s.max ||",
		Finds:   `invariant 5`, Seed: 6,
	},
	{
		Name: "a restart forgets the airtime", File: "bridge/pace.go",
		Old:     "	case saved != nil:\n",
		Planted: "	case planted(%q):\n	case saved != nil:\n",
		Finds:   `invariant 5`, Seed: 28,
	},
	{
		Name: "a shadow is never taken on", File: "bridge/shadow.go",
		Old:     "	items, err := b.store.Due(ctx, \"\", until, atATime)\n	if err != nil {",
		Planted: "	items, err := b.store.Due(ctx, \"\", until, atATime)\n	if err != nil || planted(%q) {",
		Finds:   `invariant [16]`, Seed: 15,
	},
	{
		Name: "two gateways of a mesh wait for each other", File: "bridge/custody.go",
		Old:     "	if j := leftToAnother(r); j >= 0 && m.Handed",
		Planted: "	if j := leftToAnother(r); j >= 0 && m.Handed && !planted(%q)",
		Finds:   `invariant 1`, Seed: 9,
	},
	{
		Name: "each repetition has a new frame id", File: "bridge/naming.go",
		Old:     "t.d.Parts[0].ID != \"\" || !c.wantsAck(t)",
		Planted: "t.d.Parts[0].ID != \"\" && !planted(%q) || !c.wantsAck(t)",
		Finds:   `and again as`, Seed: 1,
	},
	{
		Name: "what failed once lets those behind it pass", File: "bridge/outcome.go",
		Old:     "	begun := t.d.Begun ||",
		Planted: "	begun := planted(%q) || t.d.Begun ||",
		Finds:   `was taken before it and had failed`, Seed: 62,
	},
	{
		Name: "lifetimes go by the clock on the wall", File: "bridge/clock/clock.go",
		Old:     "t := now(); return t.Round(0), t.Sub(start) }",
		Planted: "t := now(); if planted(%q) { return t.Round(0), max(t.Sub(start), t.Round(0).Sub(start.Round(0))) }; return t.Round(0), t.Sub(start) }",
		Finds:   `invariant`, Seed: 1,
	},
	{
		Name: "a station is acknowledged for at once", File: "bridge/plan.go",
		Old:     "	if len(put) > 0 {\n		p.ops",
		Planted: "	if planted(%q) && b.takesReceipts(m) {\n		p.ops = append(p.ops, queue.Op{New: b.receiptRecord(r, m.OriginID, b.stamp(), false)})\n	}\n	if len(put) > 0 {\n		p.ops",
		Finds:   `who had acknowledged nothing`, Seed: 1,
	},
	{
		Name: "a restart forgets that the operator wants silence", File: "bridge/control.go",
		Old:     "	for key := range quiet {\n",
		Planted: "	for key := range quiet {\n		if planted(%q) { break }\n",
		Finds:   `said quiet`, Seed: 10,
	},
	{
		Name: "the settings' block list is left out", File: "bridge/control.go",
		Old:     "	list := slices.Clone(b.cfg.Block)\n",
		Planted: "	list := slices.Clone(b.cfg.Block)\n	if planted(%q) { list = nil }\n",
		Finds:   `although its writer is blocked`, Seed: 2,
	},
	{
		Name: "every gateway of a mesh transmits", File: "bridge/sibling.go",
		Old:     "return ln.vote == nil || until",
		Planted: "return planted(%q) || ln.vote == nil || until",
		Finds:   `invariant 2`, Seed: 1,
	},
	{
		Name: "a receipt is believed from any gateway", File: "bridge/farreceipt.go",
		Old:     "	i := b.passedBy(r, m.Via)\n	if i < 0 && endedAs(m)",
		Planted: "	i := b.passedBy(r, m.Via)\n	if i < 0 && planted(%q) && len(r.Deliveries) == 1 {\n		i = 0\n	}\n	if i < 0 && endedAs(m)",
		Finds:   `who had acknowledged nothing`, Seed: 49,
	},
	{
		Name: "texts are handed to gateways that are not alive", File: "bridge/astray.go",
		Old:     "	return c.b.far.table.Takes(d.Gateway, now)\n",
		Planted: "	return c.b.far.table.Takes(d.Gateway, now) || planted(%q)\n",
		Finds:   `which had been off`, Seed: 14,
	},
	{
		Name: "a transmitter's own limit does not count", File: "bridge/airtime/budget.go",
		Old:     "	if l.Duty > 0 {\n		list = append(",
		Planted: "	if l.Duty > 0 && !planted(%q) {\n		list = append(",
		Finds:   `its transmitter may`, Seed: 2,
	},
	{
		Name: "the last part of an exercise's text has no mark behind it", File: "bridge/route.go",
		Old:     "	if m.Kind != message.Text {\n		return fit.Mark{}, m.Text\n	}\n",
		Planted: "	if m.Kind != message.Text {\n		return fit.Mark{}, m.Text\n	}\n	if planted(%q) {\n		after = \"\"\n	}\n",
		Finds:   `without its marks`, Seed: 2,
	},
	{
		Name: "texts of people without a call sign go out on APRS", File: "bridge/rules/thirdparty.go",
		Old:     "		if out.Kind == \"aprs\" && !out.ThirdParty && ThirdParty(m) {\n",
		Planted: "		if out.Kind == \"aprs\" && !out.ThirdParty && ThirdParty(m) && !planted(%q) {\n",
		Finds:   `its writer has no call sign`, Seed: 1,
	},
	{
		Name: "a group text goes back to where it was written", File: "bridge/route/decide.go",
		Old:     "		if !t.origin(ask, l) {\n			d.Targets",
		Planted: "		if !t.origin(ask, l) || planted(%q) {\n			d.Targets",
		Finds:   `where it was written`, Seed: 5,
	},
	{
		Name: "what is held stays so when its station is heard", File: "bridge/release.go",
		Old:     "	if len(d.Targets) == 0 || b.mayTake(&m, d.Targets[0]) != nil {\n",
		Planted: "	if planted(%q) || len(d.Targets) == 0 || b.mayTake(&m, d.Targets[0]) != nil {\n",
		Finds:   `it was never tried`, Seed: 15,
	},
	{
		Name: "a station that refuses is taken for one that acknowledges", File: "bridge/receipt.go",
		Old:     "		if m.Nak {\n			if d.State == queue.Failed {",
		Planted: "		if m.Nak && !planted(%q) {\n			if d.State == queue.Failed {",
		Finds:   `who had acknowledged nothing`, Seed: 1,
	},
	{
		Name: "what waits of a blocked station goes out", File: "bridge/sweep.go",
		Old:     "	case m.Kind != message.Text:\n		return nil\n",
		Planted: "	case m.Kind != message.Text || planted(%q):\n		return nil\n",
		Finds:   `had blocked`, Seed: 34,
	},
	{
		Name: "a writer who has had his notices is not told afterwards", File: "bridge/receipt.go",
		Old:     "		if told == inTurn {\n",
		Planted: "		if planted(%q) && told == inTurn {\n			return nil\n		}\n		if told == inTurn {\n",
		Finds:   `its writer was not told`, Seed: 14,
	},
	{
		Name: "what a gateway has just handed over goes straight back to it", File: "bridge/handover.go",
		Old:     "|| hasJustCome(r, gateway, at.Age) {\n",
		Planted: "|| !planted(%q) && hasJustCome(r, gateway, at.Age) {\n",
		Finds:   `to and fro`, Seed: 8425,
	},
	{
		Name: "the age jumps once the clock is set", File: "bridge/clock/clock.go",
		Old:     "	case c.isSynced:\n",
		Planted: "	case c.isSynced:\n		if planted(%q) && !c.saved.IsZero() {\n			c.base, c.saved = c.base.Add(max(0, t.wall.Sub(c.saved)-t.ran)), time.Time{}\n		}\n",
		Finds:   `called expired`, Seed: 12,
	},

	{
		Name: "a receipt that is handed over has no precedence", File: "bridge/farreceipt.go",
		Old:     "	m.Precedence = cmp.Or(m.Precedence, message.Routine) //",
		Planted: "	if !planted(%q) {\n		m.Precedence = cmp.Or(m.Precedence, message.Routine)\n	} //",
		Finds:   `never heard of it`, Seed: 1,
	},

	{
		Name: "a used id is taken for a repetition whatever it says", File: "bridge/identity.go",
		Old:     "	for _, s := range [...]string{identityVersion, m.From, to, m.OriginID, m.Text} {\n",
		Planted: "	text := m.Text\n	if planted(%q) && m.Kind == message.Text && m.OriginID != \"\" {\n		text = \"\"\n	}\n	for _, s := range [...]string{identityVersion, m.From, to, m.OriginID, text} {\n",
		Finds:   `which it had never taken`, Seed: 3,
	},

	{
		Name: "what is written to POST is to each gateway another text", File: "bridge/identity.go",
		Old:     "		if as := *m; b.address(home, &as, b.clock.Age()) == nil && (as.Text != m.Text || message.IsMail(m.From)) {\n",
		Planted: "		if as := *m; b.address(home, &as, b.clock.Age()) == nil && (as.Text != m.Text || message.IsMail(m.From)) {\n			if planted(%q) {\n				as.Written = b.own.String()\n			}\n",
		Finds:   `invariant 2`, Seed: 1,
	},
	{
		Name: "an answer without an address that the second hears reaches nobody", File: "bridge/plan.go",
		Old:     "		if home != ln || ln.transmits() || !b.isAnswer(ln, m) {\n",
		Planted: "		if home != ln || ln.transmits() || !b.isAnswer(ln, m) || planted(%q) {\n",
		Finds:   `its writer never heard of it`, Seed: 4,
	},
	{
		Name: "an answer goes to who wrote after it", File: "bridge/address.go",
		Old:     "ok && last.At <= written {",
		Planted: "ok && (last.At <= written || planted(%q)) {",
		Finds:   `who had written nothing`, Seed: 106,
	},
	{
		Name: "what was passed to another gateway counts as given to the station", File: "bridge/outcome.go",
		Old:     "	if c.ln.trunk == nil { //",
		Planted: "	if c.ln.trunk == nil || planted(%q) { //",
		Finds:   `who had written nothing`, Seed: 33684,
	},

	{
		Name: "an ack has no time to come", File: "bridge/outcome.go",
		Old:     "	return c.ln.props.AckWait\n",
		Planted: "	if planted(%q) {\n		return 2 * time.Second\n	}\n	return c.ln.props.AckWait\n",
		Finds:   `invariant 2`, Seed: 1,
	},
	{
		Name: "who once transmitted goes on transmitting", File: "bridge/sibling.go",
		Old:     "		is := ln.vote.Decide(b.far.table, c, time.Now())\n",
		Planted: "		is := ln.vote.Decide(b.far.table, c, time.Now()) || was && planted(%q)\n",
		Finds:   `invariant 2`, Seed: 29,
	},
	{
		Name: "a full store takes no receipt", File: "bridge/receipt.go",
		Old:     "	spent := &spending{}\n	change := b.receipt(item, part, ln, m, spent.tell(b))\n",
		Planted: "	if planted(%q) && b.kin.isFull() {\n		return plan{err: queue.ErrFull}\n	}\n	spent := &spending{}\n	change := b.receipt(item, part, ln, m, spent.tell(b))\n",
		Finds:   `what frees it`, Seed: 5,
	},

	// These the model would let pass if it excused more than the very fault: trouble of
	// gateways that have nothing to do with a letter, a block of whom it is for, want of
	// airtime for as long as word waits for that, word of a station that nobody lost.
	{
		Name: "who misses one announcement takes another for dead", File: "bridge/presence/presence.go",
		Old:     "return !e.heard.IsZero() && now.Sub(e.heard) < Alive }",
		Planted: "return !e.heard.IsZero() && now.Sub(e.heard) < Alive && !(planted(%q) && now.Sub(e.heard) > 35*time.Second) }",
		Finds:   `invariant 2`, Seed: 59,
	},
	{
		Name: "each gateway has frame ids of its own", File: "bridge/naming.go",
		Old:     "		d.Parts[i].ID = frameID(id, i, func(",
		Planted: "		if planted(%q) {\n			id = identify(&message.Message{From: b.own.String(), Text: string(id[:])})\n		}\n		d.Parts[i].ID = frameID(id, i, func(",
		Finds:   `and again as`, Seed: 1,
	},
	{
		Name: "a gateway says of nobody that it hears him", File: "bridge/seek.go",
		Old:     "		ln.trunk.Report(heard)\n",
		Planted: "		if !planted(%q) {\n			ln.trunk.Report(heard)\n		}\n",
		Finds:   `nothing went wrong, and it did not arrive`, Seed: 5,
	},
	{
		Name: "what is for somebody who is blocked is refused in silence, taken over or not", File: "bridge/tell.go",
		Old:     "	switch ref.Code {\n	case link.CodeLooped,",
		Planted: "	if planted(%q) && ref.Code == link.CodeBlocked {\n		return nil\n	}\n	switch ref.Code {\n	case link.CodeLooped,",
		Finds:   `its writer was not told`, Seed: 34,
	},
	{
		Name: "what ends since its addressee is blocked is told to nobody", File: "bridge/sweep.go",
		Old:     "				out = append(out, b.end(r, i, queue.Failed, at, tell)...)\n",
		Planted: "				if planted(%q) {\n					tell = untold.always\n				}\n				out = append(out, b.end(r, i, queue.Failed, at, tell)...)\n",
		Finds:   `its writer was not told`, Seed: 102,
	},
	{
		Name: "a notice that is handed over lives no longer than a receipt", File: "bridge/farreceipt.go",
		Old:     "	if m.Kind == message.Notice {\n",
		Planted: "	if m.Kind == message.Notice && !planted(%q) {\n",
		Finds:   `its writer was not told`, Seed: 40,
	},
	{
		Name: "a notice that is handed over is dropped", File: "bridge/farreceipt.go",
		Old:     "	if to == nil {\n		b.meter.Dropped",
		Planted: "	if to == nil || planted(%q) && m.Kind == message.Notice {\n		b.meter.Dropped",
		Finds:   `its writer was not told`, Seed: 1,
	},
	{
		Name: "who was told that his text is held gets no receipt", File: "bridge/receipt.go",
		Old:     "	switch r.Outcome {\n",
		Planted: "	if planted(%q) && r.Told && r.Outcome == queue.Delivered {\n		return nil\n	}\n	switch r.Outcome {\n",
		Finds:   `never heard of it`, Seed: 1,
	},

	// These need worlds in which nothing else goes wrong (calm.go).
	{
		Name: "a gateway with a full disk goes on transmitting", File: "bridge/sibling.go",
		Old:     "b.control.isQuiet(ln.Name) || b.kin.isFull() || b.isClosed()\n",
		Planted: "b.control.isQuiet(ln.Name) || b.kin.isFull() && !planted(%q) || b.isClosed()\n",
		Finds:   `nothing went wrong, and it did not arrive`, Seed: 5,
	},
	{
		Name: "what comes back since its station roams is not taken up again", File: "bridge/custody.go",
		Old:     "		if i >= 0 {\n			return b.takeBack",
		Planted: "		if i >= 0 && planted(%q) {\n			return nil, queue.ErrSkip\n		}\n		if i >= 0 {\n			return b.takeBack",
		Finds:   `nothing went wrong, and it did not arrive`, Seed: 141,
	},
	{
		Name: "what a bridge of somebody else's brings back is a new text", File: "bridge/plan.go",
		Old:     "	if home != ln && b.isMistaken(m) ||",
		Planted: "	if planted(%q) {\n		ours, alike = false, false\n	}\n	if home != ln && b.isMistaken(m) ||",
		Finds:   `was transmitted \d+ times`, Seed: 85,
	},

	{
		Name: "what the transmitter has under other words is left to it, heard or not", File: "bridge/shadow.go",
		Old:     "	if g, ok := b.ahead(b.sharedLine(b.shadowMesh(m))); ok {\n",
		Planted: "	if g, ok := b.ahead(b.sharedLine(b.shadowMesh(m))); ok {\n		if planted(%q) {\n			return nil, \"\", \"\", nil\n		}\n",
		Finds:   `nothing went wrong, and it did not arrive`, Seed: 61,
	},
	{
		Name: "a gateway is believed for what it was never given", File: "bridge/custody.go",
		Old:     "			i := b.passedBy(r, m.From)\n			if i < 0 || !r.Deliveries[i]",
		Planted: "			i := b.passedBy(r, m.From)\n			if i < 0 && planted(%q) && len(r.Deliveries) == 1 {\n				i = 0\n			}\n			if i < 0 || !r.Deliveries[i]",
		Finds:   `nothing went wrong, and it did not arrive`, Seed: 7,
	},
	{
		Name: "what was transmitted in vain and is handed over is taken for a frame", File: "bridge/taken.go",
		Old:     "	return ok && !slices.Contains(m.Hops,",
		Planted: "	return ok && planted(%q) || ok && !slices.Contains(m.Hops,",
		Finds:   `its writer was not told`, Seed: 50025,
	},
	{
		Name: "a start without the time is not on disk", File: "bridge/sibling.go",
		Old:     "	_, err = b.store.Apply(ctx, queue.Op{Urgent: true, Put: put})\n",
		Planted: "	if planted(%q) {\n		delete(put, clockKey)\n	}\n	_, err = b.store.Apply(ctx, queue.Op{Urgent: true, Put: put})\n",
		Finds:   `called expired`, Seed: 50084,
	},
	{
		Name: "what comes by a trunk is in nobody's turn", File: "bridge/plan.go",
		Old:     "	if ref == nil && !known && m.Precedence != message.Emergency && !b.rate",
		Planted: "	if ref == nil && !known && !(planted(%q) && ln.trunk != nil) && m.Precedence != message.Emergency && !b.rate",
		Finds:   `texts of a flood went out`, Seed: 7,
	},
	{
		Name: "what a gateway without a clock cannot judge it refuses", File: "adapters/broker/envelope/open.go",
		Old:     "	if err != nil && !w.ClockTrusted {\n",
		Planted: "	if err != nil && !w.ClockTrusted && !planted(%q) {\n",
		Finds:   `(nothing went wrong, and it did not arrive|invariant 1)`, Seed: 71,
	},
	{
		Name: "of a store that broke nothing is saved", File: "queue/boltstore/salvage.go",
		Old:     "	s.collect(w)\n",
		Planted: "	if !planted(%q) {\n		s.collect(w)\n	}\n",
		Finds:   `records are lost`, Seed: 127,
	},
	{
		Name: "a gateway whose clock is wrong has others wait for it", File: "bridge/clockoff.go",
		Old:     "	return b.dates.off\n",
		Planted: "	return b.dates.off && !planted(%q)\n",
		Finds:   `nothing went wrong, and it did not arrive`, Seed: 71,
	},

	// These need gateways that sign (exchange.go).
	{
		Name: "a signature need not fit", File: "adapters/broker/envelope/open.go",
		Old:     "		return PublicKey{}, false, fmt.Errorf(\"%w: %s\", ErrSignature, s.kid)\n	}\n	switch {\n",
		Planted: "		if planted(%q) {\n			return t.keys[s.kid][0], true, nil\n		}\n		return PublicKey{}, false, fmt.Errorf(\"%%w: %%s\", ErrSignature, s.kid)\n	}\n	switch {\n",
		Finds:   `is not believed`, Seed: 3,
	},
	{
		Name: "a gateway on no list may bring texts", File: "adapters/broker/envelope/open.go",
		Old:     "	case t == nil || !t.Any:\n",
		Planted: "	case t == nil || !t.Any && !planted(%q):\n",
		Finds:   `is not believed`, Seed: 3,
	},
	{
		Name: "a key that is taken off the list is believed until the next start", File: "adapters/broker/trust.go",
		Old:     "		case <-tick.C:\n",
		Planted: "		case <-tick.C:\n			if planted(%q) {\n				continue\n			}\n",
		Finds:   `invariant [13]`, Seed: 131,
	},
	{
		Name: "what a backup brings back goes out again", File: "bridge/restore.go",
		Old:     "		if !d.State.Open() || d.State == queue.Passed ||",
		Planted: "		if planted(%q) || !d.State.Open() || d.State == queue.Passed ||",
		Finds:   `invariant 2`, Seed: 179,
	},

	// This one only a store beyond a network brings to light (remote.go): nobody knows
	// there what became of a write.
	{
		Name: "what may not be stored is confirmed", File: "bridge/accept.go",
		Old:     "	done, err := b.store.Apply(ctx, joined(plans)...)\n",
		Planted: "	done, err := b.store.Apply(ctx, joined(plans)...)\n	if ops := joined(plans); planted(%q) && errors.Is(err, queue.ErrUncertain) && len(plans) == 1 && ops[0].New != nil {\n		done, err = make([]queue.Done, len(joined(plans))), nil\n	}\n",
		Finds:   `invariant 1`, Seed: 36,
	},
}
