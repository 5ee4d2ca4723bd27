package notify

import (
	"io"
	"log"
	"testing"
	"time"

	"go.uber.org/goleak"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// stiff is a message about a turnout that is getting stiff.
func stiff() alerting.Message {
	return alerting.Message{
		Key: "k4711/desk", Reason: alerting.NewAlert, At: noon,
		Alert: alerting.Alert{
			ID: "abcdefgh", Turnout: "W12", To: ingest.Reverse, Drive: "main", Condition: detect.Stiffening, Priority: alerting.High,
			Causes: []detect.Cause{
				{Cause: detect.DrySlideChairs, Probability: 0.81, Evidence: []string{"travel +31 % to reverse: friction along the whole movement"}, Checks: []string{"look at slide chairs", "clean and lubricate"}},
				{Cause: detect.UnknownCause, Probability: 0.19},
			},
			ChangePercent: 31.5, Since: noon.AddDate(0, 0, -9), RaisedAt: noon.Add(-time.Minute), ChangedAt: noon.Add(-time.Minute),
			Forecast: &detect.Forecast{Limit: "the drive's capability", P10: 6, P50: 14, P90: 40},
		},
		Place:   alerting.Place{Turnout: "W12", Area: "Northyard", Line: "L1", Position: 12.4},
		Link:    "https://throwline.example/turnouts/W12",
		Caution: "It advises; blades move without warning.",
	}
}
func quiet() *log.Logger { return log.New(io.Discard, "", 0) }
