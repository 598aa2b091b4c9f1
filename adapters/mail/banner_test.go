package mail

import "testing"

func TestBannersOfOffices(t *testing.T) {
	for _, above := range []string{
		"CAUTION: This email originated from outside of the organization. Do not click links or open attachments unless you recognize the sender and know the content is safe.",
		"CAUTION: This email originated from outside of the\norganization. Do not click links or open attachments\nunless you recognize the sender and know the content is\nsafe.",
		"[EXTERNAL EMAIL]", "*** EXTERNAL SENDER ***", "Caution: External Message", "ACHTUNG: Externe E-Mail",
		"WARNING: External email. Verify the sender before you click a link or open an attachment!",
		"This message was sent from outside your company. Please do not click links unless you know the content is safe.",
		"ACHTUNG: Diese E-Mail stammt von außerhalb der Firma. Klicken Sie keine Links an und öffnen Sie keine Anhänge.",
		"ATTENTION : Ce message provient de l'extérieur de l'organisation. Ne cliquez pas sur les liens.",
	} {
		for _, between := range []string{"\n\n", "\n"} { // as what was HTML has no empty lines
			if got := cut(above + between + "Two cans.\nAt noon."); got != "Two cans.\nAt noon." {
				t.Errorf("%q stays: %q", above, got)
			}
		}
		if got := cut(above); got == "" {
			t.Errorf("nothing is left of %q alone", above)
		}
	}
	for _, said := range []string{
		"CAUTION: the road outside the village is closed. Do not open the gate.",
		"WARNING: outside temperature is below -20. Do not open the windows.",
		"EXTERNAL antenna is down, click heard in the receiver.",
		"External power is off. Open the fuse box, please.",
		"CAUTION: the net outside the valley is down, the attachments to the order come by car.", "This message is for those outside the network: the link to the hill is up again.", "External sender", "Attention: from outside the valley come ten people. They need tents.",
	} {
		text := said + "\n\nTwo cans."
		if said == "External sender" {
			text = "Who is there?\n" + said
		}
		if got := cut(text); got != text {
			t.Errorf("a person's %q became %q", text, got)
		}
	}
}
