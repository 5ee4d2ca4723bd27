//go:build !race

package sketch

const racing = false
