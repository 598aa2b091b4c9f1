package mail

import "testing"

func TestStationIn(t *testing.T) {
	for local, want := range map[string]string{
		"n0qrb-9": "N0QRB-9", "all": "ALL", "n0qrb/p": "N0QRB/P", "": "", "n0 qrb": "", "n0qſa": "", "n0qrı": "",
	} {
		if station, ok := stationIn(local); ok != (want != "") || ok && station != want {
			t.Errorf("%q: %q, %v; want %q", local, station, ok, want)
		}
	}
}
