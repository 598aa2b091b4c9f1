package bridge_test

import (
	"slices"
	"testing"
	"time"
)

// A phone writes to POST, or to the call sign of any gateway of its mesh. To all of them
// that is one text, whoever hears it and as often as it is repeated.
func TestTextsToTheGatewaysOfOneMesh(t *testing.T) {
	for _, to := range []string{"POST", "N0QRA-10", "N0QRB-10", "N0QRA", "N0QRB"} {
		for _, heard := range []struct{ first, again string }{
			{first: "both"}, {first: "transmitter"}, {first: "second"}, {first: "second", again: "both"}, {first: "second", again: "transmitter"},
		} {
			for _, id := range []string{"1", ""} {
				t.Run(to+" id "+id+" heard by "+heard.first+" and again by "+heard.again, func(t *testing.T) {
					inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
						says := func(hears string) {
							c.airs["valley"].deafen("N0QRA-10", hears == "second")
							c.airs["valley"].deafen("N0QRB-10", hears == "transmitter")
							c.airs["valley"].says(alder, to, id, "ann@club.example hello")
						}
						says(heard.first)
						time.Sleep(100 * time.Second)
						if heard.again != "" {
							says(heard.again)
						}
						time.Sleep(10 * time.Minute)
						once(t, "mails", c.mails(), "hello")
						told := slices.Compact(c.airs["valley"].told(alder)) // a repetition has its receipt again
						if id == "" {
							same(t, "alder", told)
						} else {
							same(t, "alder", told, "receipt "+to+">N0QRC-7 1")
						}
						same(t, "left open", c.open())
					})
				})
			}
		}
	}
}

func TestTextToAGatewayThatIsGone(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		c.posts["N0QRA-10"].shut()
		time.Sleep(2 * time.Minute)
		c.airs["valley"].says(alder, "N0QRA-10", "1", "ann@club.example hello")
		time.Sleep(time.Minute)
		same(t, "alder", c.airs["valley"].told(alder), "receipt N0QRA-10>N0QRC-7 1")
	})
}

// A phone that gives its texts no ids says the same to two stations, by one gateway.
func TestSameWordsToTwoStationsByTheGateway(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		hill.beacon(birch)
		hill.beacon(near)
		time.Sleep(10 * time.Second)
		for _, to := range []string{birch, near} {
			valley.says(alder, "POST", "", to+" all ok")
			time.Sleep(5 * time.Second)
		}
		time.Sleep(10 * time.Minute)
		for _, to := range []string{birch, near} {
			same(t, to, hill.told(to), "text N0QRC-7>"+to+" all ok")
		}
		same(t, "left open", c.open())
	})
}
