package detect

import (
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"throwline/ingest"
)

// piece is a stretch of a made trace: from one level straight to another.
type piece struct{ seconds, from, to float64 }

// trace draws the pieces at a rate, each sample at its exact place.
func draw(rate float64, pieces ...piece) []float64 {
	var v []float64
	t0 := 0.0
	for _, p := range pieces {
		for {
			t := float64(len(v)) / rate
			if t > t0+p.seconds-1e-9 {
				break
			}
			v = append(v, p.from+(p.to-p.from)*(t-t0)/p.seconds)
		}
		t0 += p.seconds
	}
	return v
}

func throwOf(q ingest.Quantity, u ingest.Unit, rate float64, v []float64) *ingest.Throw {
	return &ingest.Throw{
		Turnout: "W1", To: ingest.Normal, StartedAt: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC), Completed: true,
		Channels: []ingest.Channel{{Drive: "main", Quantity: q, Unit: u, SampleRate: rate, Scale: 1, Samples: v}},
	}
}

func near(t *testing.T, what string, got float32, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(float64(got)-want) <= tolerance) {
		t.Errorf("%s: expected %.4g ± %.2g, found %.4g", what, want, tolerance, got)
	}
}

// A current with sharp corners, whose features follow by hand: rest 0.2 s,
// inrush to 9 A falling to 3 A in 0.1 s, unlocking 0.5 s at 3 A, travel 2.4 s
// at 2 A, locking 0.5 s at 4 A, tail 0.3 s at 0.5 A, rest.
func TestMeasureCurrent(t *testing.T) {
	v := draw(200,
		piece{0.2, 0, 0}, piece{0.02, 0, 9}, piece{0.08, 9, 3}, piece{0.5, 3, 3}, piece{2.4, 2, 2}, piece{0.5, 4, 4}, piece{0.3, 0.5, 0.5}, piece{0.3, 0, 0})
	before := slices.Clone(v)
	o := Measure(throwOf(ingest.MotorCurrent, ingest.Ampere, 200, v))
	if !slices.Equal(v, before) {
		t.Fatal("the samples were changed")
	}
	tr := o.Traces[0]
	if tr.Quality != 0 {
		t.Errorf("quality: expected no doubt, found %b", tr.Quality)
	}
	near(t, "on", tr.Bounds[Inrush], 0.2, 0.01)
	near(t, "end of inrush", tr.Bounds[Unlocking], 0.29, 0.03)
	near(t, "end of unlocking", tr.Bounds[Travel], 0.8, 0.08)
	near(t, "begin of locking", tr.Bounds[Locking], 3.2, 0.08)
	near(t, "off", tr.Bounds[Tail], 3.7, 0.01)
	near(t, "end of tail", tr.Bounds[NumPhases], 4.0, 0.02)
	f := tr.Features
	near(t, "duration", f[Duration], 3.5, 0.02)
	near(t, "inrush peak", f[InrushPeak], 9, 0.01)
	near(t, "travel mean", f[TravelMean], 2, 0.05)
	near(t, "lock mean", f[LockMean], 4, 0.15)
	near(t, "lock peak", f[LockPeak], 4, 1e-6)
	near(t, "unlock peak", f[UnlockPeak], 3, 0.3)
	near(t, "tail mean", f[TailMean], 0.5, 0.03)
	near(t, "idle", f[Idle], 0, 1e-6)
	// 0.02·9/2 + 0.08·6 + 0.5·3 + 2.4·2 + 0.5·4
	near(t, "effort", f[Effort], 0.09+0.48+1.5+4.8+2, 0.05)
}

// A power trace in the same shape at 25 Hz, with an idle of 12 W and in kW-like
// counts (scale and zero): the features are those of the physical values.
func TestMeasurePowerScaled(t *testing.T) {
	v := draw(25, piece{0.2, 12, 12}, piece{0.04, 12, 2000}, piece{0.12, 2000, 700}, piece{0.5, 700, 700}, piece{2.4, 500, 500}, piece{0.5, 800, 800}, piece{0.5, 12, 12})
	th := throwOf(ingest.MotorPower, ingest.Watt, 25, v)
	c := &th.Channels[0]
	c.Scale, c.Zero = 0.5, -100
	for i := range c.Samples {
		c.Samples[i] = (c.Samples[i] + 100) / 0.5
	}
	f := Measure(th).Traces[0].Features
	near(t, "duration", f[Duration], 3.52, 0.05)
	near(t, "idle", f[Idle], 12, 0.5)
	near(t, "travel mean", f[TravelMean], 500, 15)
	near(t, "lock mean", f[LockMean], 800, 50)
	if u := Effort.Unit(ingest.MotorPower); u != "J" {
		t.Errorf("unit of effort: expected J, found %s", u)
	}
	if u := Effort.Unit(ingest.MotorCurrent); u != "A·s" {
		t.Errorf("unit of effort: expected A·s, found %s", u)
	}
}

// A hydraulic pressure in kPa: rise 0.2 s, unlocking 45 bar, travel 30 bar,
// locking 60 bar, then the pump stops and the pressure falls.
func TestMeasurePressure(t *testing.T) {
	v := draw(100, piece{0.1, 200, 200}, piece{0.2, 200, 4500}, piece{0.5, 4500, 4500}, piece{3, 3000, 3000}, piece{0.6, 6000, 6000}, piece{0.4, 6000, 200}, piece{0.4, 200, 200})
	tr := Measure(throwOf(ingest.HydraulicPressure, ingest.Kilopascal, 100, v)).Traces[0]
	f := tr.Features
	near(t, "travel mean", f[TravelMean], 30, 0.5)
	near(t, "lock peak", f[LockPeak], 60, 1e-4)
	near(t, "end of unlocking", tr.Bounds[Travel], 0.8, 0.1)
	near(t, "begin of locking", tr.Bounds[Locking], 3.8, 0.1)
	near(t, "idle", f[Idle], 2, 0.1)
}

func TestMeasureDoubts(t *testing.T) {
	flat := make([]float64, 100)
	for _, c := range []struct {
		name string
		v    []float64
		rate float64
		off  float64
		want Quality
	}{
		{"flat", flat, 50, 0, Flat},
		{"cut off at the top", draw(50, piece{0.2, 0, 0}, piece{0.5, 5, 5}, piece{2, 2, 2}, piece{0.5, 3, 3}, piece{0.5, 0, 0}), 50, 0, Clipped},
		{"negative", draw(50, piece{0.2, 0, 0}, piece{0.2, -9, -9}, piece{3, -2, -1}, piece{0.5, 0, 0}), 50, 0, NegativeSign},
		{"begins late", draw(50, piece{2, 2, 2.5}, piece{0.5, 3, 3.5}, piece{0.5, 0, 0}), 50, 1, MissingStart},
		{"ends early", draw(50, piece{0.2, 0, 0}, piece{2, 2, 2.5}, piece{0.5, 3, 3.5}), 50, 0, MissingEnd},
	} {
		th := throwOf(ingest.MotorCurrent, ingest.Ampere, c.rate, c.v)
		th.Channels[0].Offset = c.off
		if got := Measure(th).Traces[0].Quality; got&c.want == 0 {
			t.Errorf("%s: expected %b, found %b", c.name, c.want, got)
		}
	}
}

// A sensor with a sign reads one direction of movement as less than nothing: the
// effort is that of the trace turned upside down. A pressure is not turned.
func TestMeasureTurned(t *testing.T) {
	v := draw(100, piece{0.1, 0, 0}, piece{0.2, 9, 9}, piece{0.4, 3, 3}, piece{2, 2, 2.5}, piece{0.5, 4, 4}, piece{0.3, 0, 0})
	down := make([]float64, len(v))
	for i := range v {
		down[i] = -v[i]
	}
	for _, q := range []struct {
		q ingest.Quantity
		u ingest.Unit
	}{{ingest.MotorCurrent, ingest.Ampere}, {ingest.DriveForce, ingest.Kilonewton}, {ingest.MotorPower, ingest.Watt}} {
		up, turned := Measure(throwOf(q.q, q.u, 100, v)).Traces[0], Measure(throwOf(q.q, q.u, 100, down)).Traces[0]
		if up.Turned() || !turned.Turned() || !usable(&turned) {
			t.Errorf("%s: quality %b and turned %b", q.q, up.Quality, turned.Quality)
		}
		turned.Quality &^= NegativeSign
		if !reflect.DeepEqual(up, turned) {
			t.Errorf("%s: expected %+v, found %+v", q.q, up, turned)
		}
	}
	p := Measure(throwOf(ingest.HydraulicPressure, ingest.Bar, 100, down)).Traces[0]
	if p.Quality&NegativeSign == 0 || p.Turned() || usable(&p) {
		t.Errorf("a pressure below nothing: quality %b", p.Quality)
	}
}

// The trapezoid rule against closed forms (values computed from the rule's
// definition): sin on 0..pi with 10 and 100 steps, x² on 0..1 with 10.
func TestTrapezoid(t *testing.T) {
	for _, c := range []struct {
		name string
		f    func(float64) float64
		end  float64
		n    int
		want float64
	}{
		{"sin, 10", math.Sin, math.Pi, 10, 1.983523538},
		{"sin, 100", math.Sin, math.Pi, 100, 1.999835504},
		{"x², 10", func(x float64) float64 { return x * x }, 1, 10, 0.335},
	} {
		v := make([]float64, c.n+1)
		for i := range v {
			v[i] = c.f(c.end * float64(i) / float64(c.n))
		}
		var m Measurer
		s := m.survey(&ingest.Channel{Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: float64(c.n) / c.end, Scale: 1, Samples: v})
		if got := m.at(s, s.last); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: expected %.9f, found %.9f", c.name, c.want, got)
		}
	}
}

// usual350 is a trace of 350 samples such as the speed goals speak of.
func usual350() *ingest.Throw {
	v := draw(100, piece{0.1, 0, 0}, piece{0.02, 0, 9}, piece{0.1, 9, 3}, piece{0.4, 3, 3}, piece{2, 2, 2.2}, piece{0.4, 3, 3.3}, piece{0.48, 0, 0})
	for i := range v {
		v[i] = math.Round(1000*(v[i]+0.02*math.Sin(float64(i)*1.7)))/1000 + 0.001
	}
	return throwOf(ingest.MotorCurrent, ingest.Ampere, 100, v)
}

func BenchmarkMeasure(b *testing.B) {
	th := usual350()
	n := len(th.Channels[0].Samples)
	var m Measurer
	if f := m.Measure(th).Traces[0].Features[Duration]; math.Abs(float64(f)-2.92) > 0.05 {
		b.Fatalf("duration %v", f)
	}
	b.ReportAllocs()
	for b.Loop() {
		m.Measure(th)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/sample")
}

// BenchmarkMeasureLong has ten times the samples of BenchmarkMeasure: what it
// costs more is the cost per sample.
func BenchmarkMeasureLong(b *testing.B) {
	th := usual350()
	c := &th.Channels[0]
	c.Samples = draw(1000, piece{0.1, 0, 0}, piece{0.02, 0, 9}, piece{0.1, 9, 3}, piece{0.4, 3, 3}, piece{2, 2, 2.2}, piece{0.4, 3, 3.3}, piece{0.48, 0, 0})
	c.SampleRate = 1000
	var m Measurer
	b.ReportAllocs()
	for b.Loop() {
		m.Measure(th)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(c.Samples)), "ns/sample")
}

func BenchmarkStep(b *testing.B) {
	th := usual350()
	set := DefaultSettings()
	s := &State{}
	o := Measure(th)
	b.ReportAllocs()
	for b.Loop() {
		o.StartedAt = o.StartedAt.Add(time.Hour)
		s, _ = s.Step(o, &set)
	}
}

func BenchmarkState(b *testing.B) {
	th := usual350()
	set := DefaultSettings()
	s := &State{}
	o := Measure(th)
	for range 100 {
		o.StartedAt = o.StartedAt.Add(time.Hour)
		s, _ = s.Step(o, &set)
	}
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf, _ = s.AppendBinary(buf[:0])
	}
	b.ReportMetric(float64(len(buf)), "B/end")
}

// Means and deviations against certified values of the NIST Statistical
// Reference Datasets (univariate summary statistics), whose data follow from
// their definition: NumAcc2 is 1.2, then 1.1 and 1.3 five hundred times in
// turn; NumAcc4 the same about 10000000.2.
func TestMoments(t *testing.T) {
	numacc := func(middle float64) []float64 {
		v := []float64{middle}
		for range 500 {
			v = append(v, middle-0.1, middle+0.1)
		}
		return v
	}
	var m moment
	m.mean = float32(math.NaN())
	for i, x := range numacc(1.2) {
		m.take(float32(x), float32(i+1))
	}
	near(t, "NumAcc2, mean", m.mean, 1.2, 1e-5)
	near(t, "NumAcc2, deviation", float32(math.Sqrt(float64(m.v)*1001/1000)), 0.1, 1e-5)

	// A trace's mean and ripple lose no digits to a large level. The ripple
	// weighs the second difference, which for a zigzag is four times the swing:
	// 4·0.1/sqrt(6).
	var tr Measurer
	s := tr.survey(&ingest.Channel{Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 100, Scale: 1, Samples: numacc(10000000.2)})
	if got := tr.mean(s, s.first+0.01, s.last-0.01); math.Abs(got-10000000.2) > 1e-3 {
		t.Errorf("NumAcc4, mean: expected 10000000.2, found %.6f", got)
	}
	if got, want := tr.ripple(s, s.first+0.02, s.last), 4*0.1/math.Sqrt(6); math.Abs(got-want) > 1e-6 {
		t.Errorf("NumAcc4, ripple: expected %.9f, found %.9f", want, got)
	}
}

// Some force is locked in before and after a throw, and differs from throw to
// throw: when the drive works is told by its current.
func TestMeasureForceLockedIn(t *testing.T) {
	for _, locked := range []float64{0, 1, 1.6, 1.9} {
		th := throwOf(ingest.MotorCurrent, ingest.Ampere, 100, draw(100, piece{0.5, 0, 0}, piece{0.2, 9, 9}, piece{3, 3, 3}, piece{0.5, 4, 4}, piece{1, 0, 0}))
		th.Channels = append(th.Channels, ingest.Channel{Drive: th.Channels[0].Drive, Quantity: ingest.DriveForce, Unit: ingest.Kilonewton, SampleRate: 50, Scale: 1,
			Samples: draw(50, piece{0.5, 1, 1}, piece{3.2, 2, 2}, piece{0.5, 3, 3}, piece{1, locked, locked})})
		o := Measure(th)
		current, force := &o.Traces[0], &o.Traces[1]
		if force.Bounds[Inrush] != current.Bounds[Inrush] || force.Bounds[Tail] != current.Bounds[Tail] || force.Quality&^Clipped != 0 {
			t.Errorf("locked in %g: the force works from %g to %g s, the motor from %g to %g (quality %b)", locked,
				force.Bounds[Inrush], force.Bounds[Tail], current.Bounds[Inrush], current.Bounds[Tail], force.Quality)
		}
		near(t, "travel mean", force.Features[TravelMean], 2, 0.1)
		near(t, "lock peak", force.Features[LockPeak], 3, 1e-4)
	}
}
