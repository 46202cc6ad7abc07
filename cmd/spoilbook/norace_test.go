//go:build !race

package main

// raceDetector says that processes run several times slower than they will.
const raceDetector = false
