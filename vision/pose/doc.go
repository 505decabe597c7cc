// Package pose finds people in single pictures, tells the hitter from the
// others, and follows the hitter's body from picture to picture.
//
//	e, err := pose.New(ctx)             // opens three networks
//	hitter, ok, err := e.FindHitter(ctx, n, picture) // in a few pictures over the swing
//	f := e.Follow(hitter.Person)
//	look, err := f.Next(ctx, img, ms)   // on every picture
//	look.Put(&frame)
//	frames, report := smooth.Bodies(frames)
//
// The networks are BlazePose's detector and its `full` landmark network, and
// body_depth over the latter's inner maps, which gives a body's vision.Relief (see
// package models for their cards). How well they do on hitters, and what the
// standard errors of the marks rest on, is in README.md beside this file.
//
// Pictures are upright 8-bit BGR gocv.Mat and stay the caller's. The package is
// not safe for use by several goroutines on one Estimator; give each its own.
package pose
