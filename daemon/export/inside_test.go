package export

import "throwline/detect"

// Line is what is written of a throw.
func Line(r *detect.Record, area string) string {
	var l lines
	l.throw(r, area)
	return string(l.b)
}
