package bridge_test

import (
	"errors"
	"fmt"
	"testing"
	"time"
)

// What was given to the link together with a text that failed does not pass it.
func TestATextThatFailsOnceIsNotPassedByThoseBehindIt(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.links["hill"].Down("out of reach")
		for i := range 5 {
			w.says("valley", "N0QRA-7", "N0QRB-9", fmt.Sprint(i), fmt.Sprint("text ", i))
		}
		time.Sleep(time.Second)
		w.links["hill"].FailNext(errors.New("not now"))
		w.links["hill"].Up()
		for i := range 5 {
			w.want(w.gets("hill", time.Minute), fmt.Sprint("text N0QRA-7>N0QRB-9 text ", i))
		}
	})
}
