package mail

import "strings"

// What programs write into the plain text for what only their HTML shows (common
// practice, no source): a link's address right behind its words, which are what a
// reader of the HTML sees, and pictures, of which a note tells.
var (
	gluedLink = pattern(`([\pL\d/.])<(mailto:|https?://)[^<>\s]*>`)
	picture   = pattern(`(\x{fffc}|\[(cid:|image: )[^][]*\]|\[[^][]*Description automatically generated\]) ?`)
)

func cutPlaceholders(text string) string {
	if !strings.ContainsAny(text, "<[\uFFFC") {
		return text
	}
	return picture().ReplaceAllString(gluedLink().ReplaceAllString(text, "$1"), "")
}
