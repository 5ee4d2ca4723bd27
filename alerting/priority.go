package alerting

// weights are how much heavier than the usual a failure weighs, by criticality
// from 1 to 5. Ours: the middle one leaves the urgency as it is, and the others
// are near enough to it that being about to fail counts more than being
// important.
var weights = [...]float64{0.6, 0.8, 1, 1.25, 1.5}

// Weight returns how much heavier than the usual a failure weighs at a place
// of a criticality from 1, slight, to 5, severe. What is not said, or outside,
// counts as 3.
func Weight(criticality int) float64 {
	if criticality < 1 || criticality > len(weights) {
		criticality = 3
	}
	return weights[criticality-1]
}

// PriorityOf follows consequence and urgency, as IEC 62682 asks. urgency is
// from 0 to 1, as in detect.Finding; criticality as in [Weight]. At the least
// criticality nothing is high, not even a throw that did not complete.
func PriorityOf(urgency float64, criticality int) Priority {
	switch risk := urgency * Weight(criticality); {
	case risk >= 0.75:
		return High
	case risk >= 0.3:
		return Medium
	}
	return Low
}
