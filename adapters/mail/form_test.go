package mail

import (
	"strings"
	"testing"
	"unicode/utf8"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// The titles and their numbers are those of form ICS 213, General Message, of the
// United States' Federal Emergency Management Agency (ten blocks), which is public.
func TestGeneralMessageIsLaidOut(t *testing.T) {
	for _, c := range []struct{ name, text, subject, body string }{
		{"on lines with numbers",
			"1. INCIDENT NAME: RIDGE FIRE\n2. TO (Name and Position): EOC LOGISTICS\n3. FROM: SHELTER 4\n4. SUBJECT: WATER\n5. DATE: 2026-11-25\n6. TIME: 1405Z\n7. MESSAGE: NEED 200 L WATER\nAND 40 COTS\n8. APPROVED BY: N. ONE, LEAD",
			"WATER", `GENERAL MESSAGE (ICS 213)

 1. Incident Name: RIDGE FIRE
 2. To:            EOC LOGISTICS
 3. From:          SHELTER 4
 4. Subject:       WATER
 5. Date:          2026-11-25
 6. Time:          1405Z
 7. Message:

    NEED 200 L WATER
    AND 40 COTS

 8. Approved by:   N. ONE, LEAD
`},
		{"in one run", "ICS 213 TO: EOC LOGISTICS FM: SHELTER 4 SUBJ: WATER MSG: NEED 200 L. TIME: BY NOON", "WATER", `GENERAL MESSAGE (ICS 213)

 2. To:            EOC LOGISTICS
 3. From:          SHELTER 4
 4. Subject:       WATER
 7. Message:

    NEED 200 L. TIME: BY NOON
`},
		{"of an exercise", "EXERCISE ICS-213 TO: EOC FROM: SHELTER 4 SUBJECT: WATER MESSAGE: NEED 200 L EXERCISE", "EXERCISE WATER", `GENERAL MESSAGE (ICS 213)

 2. To:            EOC
 3. From:          SHELTER 4
 4. Subject:       WATER
 7. Message:

    NEED 200 L EXERCISE
`},
		{"an answer on the form", "GENERAL MESSAGE Message: need water Reply: two trucks Replied by: EOC 1510Z", "GENERAL MESSAGE Message: need water Reply: two trucks...", `GENERAL MESSAGE (ICS 213)

 7. Message:

    need water

 9. Reply:         two trucks
10. Replied by:    EOC 1510Z
`},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := link.Frame{Message: message.Message{Kind: message.Text, From: "N0QRA-7", To: "eoc@county.example"}, Text: c.text, Part: 1, Parts: 1}
			if strings.HasPrefix(c.text, "EXERCISE") {
				f.Message.Exercise = "RIDGE"
			}
			if got, want := body(f), c.body+"\nAs it was sent:\n\n"+c.text; got != want {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
			if got := subject(f); got != c.subject {
				t.Errorf("subject %q, want %q", got, c.subject)
			}
		})
	}
}

func TestOrdinaryTextIsNoForm(t *testing.T) {
	for _, text := range []string{
		"", "meet at 5 to go", "Time: 1405Z", "To: Ann From: Bob", "Message: the bridge is closed", "ICS 213 is the form to use",
		"Subject: water\nMessage: two cans", "From: here to: there subject: none message: wrong order",
	} {
		if f := readForm(text); f != nil {
			t.Errorf("%q is read as %v", text, f)
		}
	}
	part := link.Frame{Message: message.Message{Kind: message.Text}, Text: "ICS 213 TO: EOC MESSAGE: need (1/2)", Part: 1, Parts: 2}
	if got := body(part); got != part.Text {
		t.Errorf("half a form became %q", got)
	}
}

// Whatever is sent stands in the mail as it was sent, and each block's words come
// from it.
func FuzzReadForm(f *testing.F) {
	f.Add("ICS 213 TO: EOC FROM: N0QRA SUBJECT: x MESSAGE: y")
	f.Add("1.TO:a\n3) FROM : b\n4 Subject:c\n7.MESSAGE (all):d\n10. replied_by:e")
	f.Fuzz(func(t *testing.T, text string) {
		form := readForm(text)
		if form == nil {
			return
		}
		if laid := form.layOut(text); !strings.HasSuffix(laid, text) || utf8.ValidString(text) && !utf8.ValidString(laid) {
			t.Fatalf("%q is laid out as %q", text, laid)
		}
		for n, words := range form {
			if n < 1 || n > 10 || !strings.Contains(text, words) {
				t.Fatalf("block %d holds %q, which was not sent", n, words)
			}
		}
	})
}
