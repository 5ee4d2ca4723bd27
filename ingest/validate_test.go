package ingest_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"throwline/ingest"
)

var arrived = time.Date(2026, 3, 1, 6, 14, 15, 0, time.UTC)

func goodThrow() *ingest.Throw {
	return &ingest.Throw{
		ID: "k7-1", Cabinet: "C-1", Turnout: "W-101A", To: ingest.Reverse, StartedAt: arrived.Add(-8 * time.Second), Completed: true,
		Detections: []ingest.Detection{{Place: "toe", After: 3 * time.Second}}, Boot: "b", Sequence: 7,
		RailTemperature: ingest.Known(11), Supply: ingest.Known(110),
		Channels: []ingest.Channel{
			{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 50, Scale: 0.005, Zero: -1, Samples: make([]float64, 350)},
			{Drive: "back", Quantity: ingest.HydraulicPressure, Unit: ingest.Kilopascal, SampleRate: 50, Scale: 1, Samples: make([]float64, 8)},
		},
	}
}

func TestThrowValidate(t *testing.T) {
	if err := goodThrow().Validate(arrived); err != nil {
		t.Fatal(err)
	}
	long := strings.Repeat("x", 200)
	for _, c := range []struct {
		name string
		bend func(*ingest.Throw)
		want string // "": still valid
	}{
		{"turnout empty", func(t *ingest.Throw) { t.Turnout = "" }, `turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found ""`},
		{"turnout of 64", func(t *ingest.Throw) { t.Turnout = long[:64] }, ""},
		{"turnout of 65", func(t *ingest.Throw) { t.Turnout = long[:65] }, `turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "` + long[:65] + `"`},
		{"turnout with a slash", func(t *ingest.Throw) { t.Turnout = "W/1" }, `turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "W/1"`},
		{"turnout abroad", func(t *ingest.Throw) { t.Turnout = "Wé" }, `turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "Wé"`},
		{"cabinet", func(t *ingest.Throw) { t.Cabinet = "C 1" }, `cabinet: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "C 1"`},
		{"no cabinet", func(t *ingest.Throw) { t.Cabinet = "" }, ""},
		{"no end", func(t *ingest.Throw) { t.To = 0 }, "to: expected normal or reverse, found neither"},
		{"a third end", func(t *ingest.Throw) { t.To = 3 }, "to: expected normal or reverse, found neither"},
		{"no id", func(t *ingest.Throw) { t.ID = "" }, ""},
		{"id of 128", func(t *ingest.Throw) { t.ID = strings.Repeat("é", 128) }, ""},
		{"id of 129", func(t *ingest.Throw) { t.ID = long[:129] }, "throw_id: expected 1 to 128 characters, found 129"},
		{"id with a bell", func(t *ingest.Throw) { t.ID = "a\a" }, `throw_id: expected text without control characters, found "a\a"`},

		{"no time", func(t *ingest.Throw) { t.StartedAt = time.Time{} }, "started_at: expected a time after RFC 3339 with a zone, found nothing"},
		{"1970", func(t *ingest.Throw) { t.StartedAt = time.Unix(0, 0).UTC() }, "started_at: expected a time from 2000-01-01T00:00:00Z on (was the clock set?), found 1970-01-01T00:00:00Z"},
		{"2000", func(t *ingest.Throw) { t.StartedAt = ingest.Earliest }, ""},
		{"an hour ahead", func(t *ingest.Throw) { t.StartedAt = arrived.Add(time.Hour) }, ""},
		{"2100", func(t *ingest.Throw) { t.StartedAt = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC) }, "started_at: expected a time at most 1h0m0s after its arrival at 2026-03-01T06:14:15Z (is the clock right?), found 2100-01-01T00:00:00Z"},

		{"no detections", func(t *ingest.Throw) { t.Detections = nil }, ""},
		{"detection at no place", func(t *ingest.Throw) { t.Detections[0].Place = "" }, "detections[0].place: expected 1 to 64 characters, found 0"},
		{"detection at a place with blanks", func(t *ingest.Throw) { t.Detections[0].Place = "heel 2" }, ""},
		{"detection before", func(t *ingest.Throw) { t.Detections[0].After = -1 }, "detections[0].after_s: expected a number from 0 to 7200, found -1e-09"},
		{"detection in 2 h", func(t *ingest.Throw) { t.Detections[0].After = 2 * time.Hour }, ""},
		{"detection later", func(t *ingest.Throw) { t.Detections[0].After = 3 * time.Hour }, "detections[0].after_s: expected a number from 0 to 7200, found 10800"},
		{"65 detections", func(t *ingest.Throw) {
			for len(t.Detections) < 65 {
				t.Detections = append(t.Detections, t.Detections[0])
			}
		}, "detections: expected at most 64, found 65"},

		{"not numbered", func(t *ingest.Throw) { t.Boot, t.Sequence = "", 0 }, ""},
		{"sequence alone", func(t *ingest.Throw) { t.Boot = "" }, "boot: expected boot and sequence together, or neither, found sequence alone"},
		{"boot alone", func(t *ingest.Throw) { t.Sequence = 0 }, "sequence: expected a whole number from 1 beside boot, found nothing or 0"},
		{"boot of 65", func(t *ingest.Throw) { t.Boot = long[:65] }, "boot: expected 1 to 64 characters, found 65"},
		{"last sequence", func(t *ingest.Throw) { t.Sequence = ingest.MaxSequence }, ""},
		{"beyond it", func(t *ingest.Throw) { t.Sequence = ingest.MaxSequence + 1 }, "sequence: expected a whole number up to 9007199254740991, found 9007199254740992"},

		{"rail cold", func(t *ingest.Throw) { t.RailTemperature.Value = -91 }, "rail_temperature_c: expected a number from -90 to 120, found -91"},
		{"rail NaN", func(t *ingest.Throw) { t.RailTemperature.Value = math.NaN() }, "rail_temperature_c: expected a number from -90 to 120, found NaN"},
		{"rail not known", func(t *ingest.Throw) { t.RailTemperature = ingest.Reading{Value: 1e9} }, ""},
		{"supply", func(t *ingest.Throw) { t.Supply.Value = 5001 }, "supply_v: expected a number from 0 to 5000, found 5001"},

		{"no channels", func(t *ingest.Throw) { t.Channels = nil }, "channels: expected 1 to 16, found 0"},
		{"17 channels", func(t *ingest.Throw) {
			for len(t.Channels) < 17 {
				t.Channels = append(t.Channels, t.Channels[0])
			}
		}, "channels: expected 1 to 16, found 17"},
		{"no drive", func(t *ingest.Throw) { t.Channels[1].Drive = "" }, "channels[1].drive: expected 1 to 64 characters, found 0"},
		{"drive with blanks", func(t *ingest.Throw) { t.Channels[1].Drive = "back drive" }, ""},
		{"quantity", func(t *ingest.Throw) { t.Channels[1].Quantity = "noise" }, `channels[1].quantity: expected one of motor_current, motor_power, supply_voltage, hydraulic_pressure, displacement, drive_force, found "noise"`},
		{"bar", func(t *ingest.Throw) { t.Channels[1].Unit = ingest.Bar }, ""},
		{"wrong unit", func(t *ingest.Throw) { t.Channels[1].Unit = ingest.Volt }, `channels[1].unit: expected bar, kPa for hydraulic_pressure, found "V"`},
		{"kPa of current", func(t *ingest.Throw) { t.Channels[0].Unit = ingest.Kilopascal }, `channels[0].unit: expected A for motor_current, found "kPa"`},
		{"rate 5", func(t *ingest.Throw) { t.Channels[0].SampleRate = 5 }, ""},
		{"rate 4.9", func(t *ingest.Throw) { t.Channels[0].SampleRate = 4.9 }, "channels[0].sample_rate_hz: expected a number from 5 to 20000, found 4.9"},
		{"rate 20001", func(t *ingest.Throw) { t.Channels[0].SampleRate = 20001 }, "channels[0].sample_rate_hz: expected a number from 5 to 20000, found 20001"},
		{"rate NaN", func(t *ingest.Throw) { t.Channels[0].SampleRate = math.NaN() }, "channels[0].sample_rate_hz: expected a number from 5 to 20000, found NaN"},
		{"offset", func(t *ingest.Throw) { t.Channels[0].Offset = -3601 }, "channels[0].offset_s: expected a number from -3600 to 3600, found -3601"},
		{"scale 0", func(t *ingest.Throw) { t.Channels[0].Scale = 0 }, "channels[0].scale: expected a number other than 0, at most 1e12 either way, found 0"},
		{"scale NaN", func(t *ingest.Throw) { t.Channels[0].Scale = math.NaN() }, "channels[0].scale: expected a number other than 0, at most 1e12 either way, found NaN"},
		{"scale -1", func(t *ingest.Throw) { t.Channels[0].Scale = -1 }, ""},
		{"zero", func(t *ingest.Throw) { t.Channels[0].Zero = 2e12 }, "channels[0].zero: expected a number from -1e+12 to 1e+12, found 2e+12"},
		{"7 samples", func(t *ingest.Throw) { t.Channels[1].Samples = make([]float64, 7) }, "channels[1].samples: expected 8 to 200000 samples, found 7"},
		{"200000 samples", func(t *ingest.Throw) { t.Channels[1].Samples = make([]float64, 200_000) }, ""},
		{"200001 samples", func(t *ingest.Throw) { t.Channels[1].Samples = make([]float64, 200_001) }, "channels[1].samples: expected 8 to 200000 samples, found 200001"},
		{"hours of samples", func(t *ingest.Throw) {
			t.Channels[1].Samples = make([]float64, 40_000)
			t.Channels[1].SampleRate = 5
		}, "channels[1].samples: expected at most 2h0m0s of one movement, found 8000 s"},
		{"NaN", func(t *ingest.Throw) { t.Channels[0].Samples[349] = math.NaN() }, "channels[0].samples[349]: expected a finite number, found NaN"},
		{"infinity", func(t *ingest.Throw) { t.Channels[0].Samples[0] = math.Inf(-1) }, "channels[0].samples[0]: expected a finite number, found -Inf"},
		{"infinity, scaled away", func(t *ingest.Throw) {
			t.Channels[0].Samples[5] = math.Inf(1)
			t.Channels[0].Scale = 1e-320
		}, "channels[0].samples[5]: expected a finite number, found +Inf"},
		{"-0", func(t *ingest.Throw) { t.Channels[0].Samples[0] = math.Copysign(0, -1) }, ""},
		{"1e300", func(t *ingest.Throw) { t.Channels[0].Samples[3] = 1e300 }, "channels[0].samples[3]: expected at most 1e+12 either way once scaled, found 5e+297"},
		{"1e300, scaled down", func(t *ingest.Throw) {
			t.Channels[0].Samples[3] = 1e300
			t.Channels[0].Scale = 1e-290
		}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			throw := goodThrow()
			c.bend(throw)
			err := throw.Validate(arrived)
			if c.want == "" {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			if err == nil || err.Error() != c.want {
				t.Fatalf("%v, want %s", err, c.want)
			}
			r := ingest.AsRefusal(fmt.Errorf("somewhere: %w", err))
			if r == nil || len(r.Turnout) > ingest.MaxNameLen || r.Sequence > ingest.MaxSequence {
				t.Errorf("refusal %+v", r)
			}
		})
	}
	// Without an arrival, only the clock that runs ahead is not seen.
	throw := goodThrow()
	throw.StartedAt = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
	if err := throw.Validate(time.Time{}); err != nil {
		t.Error(err)
	}
	if ingest.AsRefusal(errors.New("other")) != nil || ingest.AsRefusal(nil) != nil {
		t.Error("a refusal in what is none")
	}
}

// All faults are told at once, but not without end; and whose throw it was.
func TestRefusal(t *testing.T) {
	throw := goodThrow()
	throw.To, throw.Channels[0].SampleRate, throw.Channels[1].Unit = 0, 0, "V"
	r := ingest.AsRefusal(throw.Validate(arrived))
	if r == nil || len(r.Faults) != 3 || r.Turnout != "W-101A" || r.Boot != "b" || r.Sequence != 7 {
		t.Errorf("%+v", r)
	}
	for range 14 {
		throw.Channels = append(throw.Channels, ingest.Channel{})
	}
	if r = ingest.AsRefusal(throw.Validate(arrived)); len(r.Faults) != 16 {
		t.Errorf("%d faults", len(r.Faults))
	}
	throw.Turnout, throw.Boot = strings.Repeat("é", 60), strings.Repeat("b", 65)
	if r = ingest.AsRefusal(throw.Validate(arrived)); r.Turnout != strings.Repeat("é", 32) || r.Boot != "" || r.Sequence != 0 {
		t.Errorf("%+v", r)
	}
}

func TestOthersValidate(t *testing.T) {
	state := ingest.CabinetState{Cabinet: "C-1", Online: true, At: arrived, Agent: "a", ClockOffset: ingest.Known(1)}
	conditions := ingest.Conditions{Cabinet: "C-1", At: arrived, AirTemperature: ingest.Known(3), Rain: ingest.Known(1)}
	work := ingest.Work{Turnout: "W1", DoneAt: arrived, Kind: ingest.Lubricated, Note: "a\nb", By: "x"}
	for i, err := range []error{state.Validate(arrived), conditions.Validate(arrived), work.Validate(arrived)} {
		if err != nil {
			t.Error(i, err)
		}
	}
	state.Cabinet, state.At, state.Agent = "", arrived.Add(2*time.Hour), "\x00"
	conditions.At, conditions.AirTemperature, conditions.Supply = time.Time{}, ingest.Known(81), ingest.Known(math.Inf(1))
	work.Kind, work.Note, work.By = "oiled", strings.Repeat("x", 4097), strings.Repeat("x", 129)
	for i, c := range []struct {
		err  error
		want string
	}{
		{state.Validate(arrived), `cabinet: expected 1 to 64 of A-Z a-z 0-9 . _ -, found ""; at: expected a time at most 1h0m0s after its arrival at 2026-03-01T06:14:15Z (is the clock right?), found 2026-03-01T08:14:15Z; agent: expected text without control characters, found "\x00"`},
		{conditions.Validate(arrived), "at: expected a time after RFC 3339 with a zone, found nothing; air_temperature_c: expected a number from -90 to 80, found 81; supply_v: expected a number from 0 to 5000, found +Inf"},
		{work.Validate(arrived), `work: expected one of inspected, cleaned, lubricated, adjusted, repaired, replaced, other, found "oiled"; note: expected 0 to 4096 characters, found 4097; by: expected 0 to 128 characters, found 129`},
	} {
		if c.err == nil || c.err.Error() != c.want {
			t.Errorf("%d: %v, want %s", i, c.err, c.want)
		}
	}
}

func BenchmarkValidate(b *testing.B) {
	throw := goodThrow()
	throw.Channels = throw.Channels[:1]
	if err := throw.Validate(arrived); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	b.SetBytes(int64(8 * len(throw.Channels[0].Samples)))
	for b.Loop() {
		if err := throw.Validate(arrived); err != nil {
			b.Fatal(err)
		}
	}
}
