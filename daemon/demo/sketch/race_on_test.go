//go:build race

package sketch

const racing = true // the race detector is on
