package mail

import "testing"

func TestDisclaimersOfOffices(t *testing.T) {
	for _, below := range []string{
		"________________________________\nThis e-mail and any attachments are confidential and\nintended solely for the addressee. If you received it in error,\nplease delete it.",
		"CONFIDENTIALITY NOTICE:\n\nThis message is privileged and confidential. If you are not the intended recipient, destroy all copies of it.\n\nPlease consider the environment.",
		"Diese E-Mail enthält vertrauliche Informationen. Wenn Sie nicht der richtige Adressat sind oder diese E-Mail irrtümlich erhalten haben, informieren Sie uns bitte.",
		"Ce message et ses pièces jointes sont confidentiels et établis à l'intention exclusive de ses destinataires. Toute diffusion non autorisée est interdite.",
	} {
		if got := cut("Two cans.\n\n" + below); got != "Two cans." {
			t.Errorf("%q stays: %q", below, got)
		}
		if got := cut("Two cans.\nAt noon.\n" + oneLine(below)); got != "Two cans.\nAt noon." {
			t.Errorf("%q on one line stays: %q", below, got)
		}
		if got := cut(below); got == "" {
			t.Errorf("nothing is left of %q alone", below)
		}
	}
	for _, said := range []string{
		"The list of the ill is confidential, so do not read it out by radio; ask the leader of the hospital for a copy.",
		"Please confirm by message that the medicine was for the intended recipient, as it was given out by mistake yesterday.",
	} {
		if got, want := cut("Two cans.\n\n"+said), "Two cans.\n\n"+said; got != want {
			t.Errorf("a person's %q went: %q", said, got)
		}
	}
}
