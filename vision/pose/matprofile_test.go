//go:build matprofile

package pose

import (
	"bytes"
	"context"
	"testing"

	"gocv.io/x/gocv"
)

// Every image made while finding and following, losing and failing is closed.
func TestNoImageIsLeftOpen(t *testing.T) {
	ctx := context.Background()
	img := gocv.NewMatWithSize(720, 1280, gocv.MatTypeCV8UC3)
	defer img.Close()
	empty := gocv.NewMat()
	defer empty.Close()
	before := gocv.MatProfile.Count()
	e, err := New(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := e.People(ctx, img); err != nil {
		t.Fatal(err)
	}
	for _, side := range []float64{300, 900} {
		body := e.Follow(Person{ROI: ROI{X: 600, Y: 400, Side: side}})
		if look, err := body.Next(ctx, img, 0); err != nil || look.Found {
			t.Fatalf("found %v in a black picture: %v", look.Found, err)
		}
		if _, err := body.Next(ctx, empty, 0); err == nil {
			t.Fatal("an empty picture was accepted")
		}
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	if n := gocv.MatProfile.Count(); n != before {
		var stacks bytes.Buffer
		gocv.MatProfile.WriteTo(&stacks, 1)
		t.Errorf("%d images left open\n%s", n-before, stacks.String())
	}
}
