package torture

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// The fleet of the orders: two turnouts, too few to feel anything in common.
const (
	orderTurnouts = 2
	orderThrows   = 200
	orderAll      = orderTurnouts * orderThrows
)

// ordered is throw n in the order of time.
func ordered(n int, first time.Time) *ingest.Throw {
	k, m := n%orderTurnouts, n/orderTurnouts
	t := throwAt(fmt.Sprintf("TOLB-W%d", k), n, m, first.Add(time.Duration(m)*3*time.Hour+time.Duration(k)*time.Second), []float64{0, 1.2}[k]*max(float64(m)/orderThrows-0.5, 0), 0)
	t.Completed = (m+k)%37 != 11
	return t
}

// world is what a program makes of the same throws in some order.
type world struct {
	*bench
	records []*detect.Record
	states  map[string]string
}

// run sends throws in an order, waits for all to be filed, and stops in order.
func run(t *testing.T, first time.Time, order []int) *world {
	t.Helper()
	w := &world{bench: benchWith(t, "", "")}
	w.start()
	w.awaitReady()
	publish(t, w.broker.URL(), order, func(n int) (topic string, payload []byte) {
		th := ordered(n, first)
		th.Boot, th.Sequence = "b", uint64(n+1)
		if n%2 == 0 {
			return mqtt.ThrowTopic(mqtt.DefaultPrefix, "TOLB-1", th.Turnout), wire.AppendThrowCBOR(nil, th)
		}
		return mqtt.ThrowTopic(mqtt.DefaultPrefix, "TOLB-1", th.Turnout), wire.AppendThrow(nil, th)
	})
	w.await("a receipt over all throws", func() bool {
		return w.number(fmt.Sprintf("SELECT count(*) FROM receipts WHERE through = %d AND length(missing) <= 1", orderAll)) == 1
	})
	w.await("the last messages to be worked off", func() bool { return w.get("/readyz") == nil })
	w.end(syscall.SIGTERM)
	w.verify()
	w.records, w.states = w.bench.records(), w.bench.states()
	_, want := folded(w.records)
	w.sameStates(want)
	return w
}

// publish sends messages at QoS 1, some at a time, in their order.
func publish(t *testing.T, broker string, order []int, message func(int) (topic string, payload []byte)) {
	t.Helper()
	l, err := mqtt.Connect(t.Context(), mqtt.LinkOptions{Broker: broker, ClientID: "cabinet", Forget: true})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	window := make(chan struct{}, 50)
	var under sync.WaitGroup
	for _, n := range order {
		topic, payload := message(n)
		window <- struct{}{}
		under.Add(1)
		l.Begin(topic, false, payload, func(err error) {
			if err != nil {
				t.Error(err)
			}
			<-window
			under.Done()
		})
	}
	under.Wait()
}

// stored is what is stored of each throw, but for when it came and what was
// expected of it then.
func (w *world) stored() map[string]detect.Observation {
	out := map[string]detect.Observation{}
	for _, r := range w.records {
		out[r.Key] = r.Observation
	}
	return out
}

// The same throws end as the same stored throws in whatever order, and however
// often, they come. Where each turnout's own come in their order, what was
// learned is the same too, byte for byte, and so are the alerts. A throw that
// comes after a later one of its end is stored and teaches nothing: then the
// baseline is that of the others.
func TestOrders(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	first := time.Now().Add(-orderThrows*3*time.Hour - time.Hour).Truncate(time.Second)
	inTime := make([]int, orderAll)
	for i := range inTime {
		inTime[i] = i
	}
	plain := run(t, first, inTime)

	// Each turnout's own in their order, turnouts in any, many of them again.
	var mixed []int
	next := [orderTurnouts]int{}
	for len(mixed) < 2*orderAll || slices.Min(next[:]) < orderThrows {
		k := rng.IntN(orderTurnouts)
		if rng.IntN(2) == 0 && next[k] > 0 {
			mixed = append(mixed, rng.IntN(next[k])*orderTurnouts+k) // was here before
		} else if next[k] < orderThrows {
			mixed = append(mixed, next[k]*orderTurnouts+k)
			next[k]++
		}
	}
	shuffled := run(t, first, mixed)

	// In any order within a day and a half, some twice, and some a week late.
	late := slices.Clone(inTime)
	for i := 0; i < orderAll; i += 36 {
		part := late[i:min(i+36, orderAll)]
		rng.Shuffle(len(part), func(a, b int) { part[a], part[b] = part[b], part[a] })
	}
	for range 50 {
		i := rng.IntN(orderAll - 170)
		n := late[i]
		late = slices.Insert(slices.Delete(late, i, i+1), i+168, n)
	}
	jumbled := run(t, first, append(late, late[:orderAll/3]...))

	want := plain.stored()
	if len(want) != orderAll {
		t.Errorf("expected %d throws, found %d", orderAll, len(want))
	}
	for name, w := range map[string]*world{"mixed": shuffled, "jumbled": jumbled} {
		found := w.stored()
		if len(found) != len(want) || len(w.records) != len(want) {
			t.Errorf("%s: expected the same %d throws, each once, found %d in %d rows", name, len(want), len(found), len(w.records))
		}
		for key, o := range want {
			if !reflect.DeepEqual(o, found[key]) {
				t.Errorf("%s: throw %s is another than in order", name, key)
			}
		}
	}
	if !maps.Equal(plain.states, shuffled.states) {
		t.Error("mixed: what was learned is not the same as in order")
	}
	if a, b := byTurnout(plain.events(), told), byTurnout(shuffled.events(), told); !reflect.DeepEqual(a, b) || len(a) != orderTurnouts {
		t.Errorf("mixed: expected the alerts\n%v\nfound\n%v", a, b)
	}
	// The jumbled world has learned of those that came in time, and of no other.
	var timely []*detect.Record
	last := map[string]time.Time{}
	for _, r := range jumbled.records {
		end := r.Turnout + r.To.String()
		if r.StartedAt.After(last[end]) {
			last[end] = r.StartedAt
			timely = append(timely, r)
		}
	}
	_, of := folded(timely)
	_, all := folded(jumbled.records)
	set := detect.DefaultSettings()
	knows := false
	for n := orderAll; n < orderAll+60*orderTurnouts; n++ {
		o := detect.Measure(ordered(n, first))
		var a, b detect.Assessment
		of[o.Turnout], a = of[o.Turnout].Step(o, &set)
		all[o.Turnout], b = all[o.Turnout].Step(o, &set)
		if a, b := fmt.Sprintf("%+v", a), fmt.Sprintf("%+v", b); a != b { // in words, for what is unknown equals nothing
			t.Fatalf("throw %d after the jumbled ones: expected %s, as if no late one had come, found %s", n, a, b)
		}
		knows = knows || len(b.Bands) > 0 && !math.IsNaN(float64(b.Bands[0].Expected[detect.Duration]))
	}
	if !knows {
		t.Error("expected a baseline in the jumbled world, found none to compare")
	}
	t.Logf("%d throws: in order; mixed, %d messages; jumbled, %d of them in time", orderAll, len(mixed), len(timely))
}
