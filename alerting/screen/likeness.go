package screen

import (
	"context"
	"fmt"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

// mostLikened throws are read for a comparison: enough for the past of both
// ends with half as many again that are of no use.
const mostLikened = 3 * detect.ShapeMost

// Likeness is how far the course of one of a throw's traces stands from those
// of the throws before it, of the same end, drive and quantity.
type Likeness struct {
	Drive      string          `json:"drive"`
	Quantity   ingest.Quantity `json:"quantity"`
	Throws     int             `json:"throws" doc:"of the past that it is compared with"`
	Needed     int             `json:"needed" doc:"for a comparison; below it there are no figures"`
	Components int             `json:"components,omitempty" doc:"directions in which the past varies"`
	T2         *float64        `json:"t2,omitempty" doc:"Hotelling's T²: how far along directions in which the past varies"`
	T2Limit    *float64        `json:"t2_limit,omitempty" doc:"what 1 throw in 370 passes"`
	SPE        *float64        `json:"spe,omitempty" doc:"squared prediction error: how far across them"`
	SPELimit   *float64        `json:"spe_limit,omitempty"`
	Beyond     bool            `json:"beyond" doc:"one of the two is beyond its limit"`
	From       *float64        `json:"from_share,omitempty" doc:"where it stands out most, as a share of the movement; only where it is beyond"`
	To         *float64        `json:"to_share,omitempty"`
	Phase      string          `json:"phase,omitempty" enum:"inrush,unlocking,travel,locking"`
	Said       string          `json:"said" doc:"in words"`
}

func (s *server) likeness(ctx context.Context, in *throwInput) (*answer[List[Likeness]], error) {
	r, _, err := s.o.Archive.Throw(ctx, in.Key)
	if err != nil {
		return nil, s.problem(ctx, err, "read the throw")
	}
	pasts := make([][][detect.ProfileLen]float32, len(r.Traces))
	_, err = s.eachThrow(ctx, r.Turnout, time.Time{}, r.StartedAt, mostLikened, func(old *detect.Record) bool {
		more := false
		for i := range r.Traces {
			if len(pasts[i]) >= detect.ShapeMost {
				continue
			}
			more = true
			if tr := sound(old, r.To, r.Traces[i].Drive, r.Traces[i].Quantity); tr != nil {
				pasts[i] = append(pasts[i], tr.Profile)
			}
		}
		return more
	})
	if err != nil {
		return nil, s.problem(ctx, err, "read the throws before it")
	}
	out := List[Likeness]{Items: make([]Likeness, len(r.Traces))}
	for i := range r.Traces {
		out.Items[i] = newLikeness(&r.Traces[i], pasts[i])
	}
	return &answer[List[Likeness]]{out}, nil
}

func newLikeness(tr *detect.Trace, past [][detect.ProfileLen]float32) Likeness {
	out := Likeness{Drive: tr.Drive, Quantity: tr.Quantity, Throws: len(past), Needed: detect.ShapeLeast}
	if !tr.Useful() {
		out.Said = "not compared with its past: the trace does not show the movement"
		return out
	}
	shape, ok := detect.LearnShape(past)
	if !ok {
		out.Said = "not compared with its past: its throws never differ"
		if out.Throws < out.Needed {
			out.Said = fmt.Sprintf("not compared with its past yet: %d of the %d throws before it that it takes", out.Throws, out.Needed)
		}
		return out
	}
	l := shape.Compare(tr)
	out.Throws, out.Components, out.Beyond, out.Said = l.Throws, l.Components, l.Beyond, l.Said
	out.T2, out.T2Limit, out.SPE, out.SPELimit = &l.T2, &l.T2Limit, &l.SPE, &l.SPELimit
	if l.Beyond {
		out.From, out.To, out.Phase = &l.From, &l.To, l.Phase.String()
	}
	return out
}
