package alerting

// Place is what people have said of a turnout: where it is and how much hangs
// on it. Nothing of it is required.
type Place struct {
	Turnout      string  `json:"turnout"`
	Area         string  `json:"area,omitempty" doc:"left out: taken from the name"`
	Line         string  `json:"line,omitempty"`
	Position     float64 `json:"position,omitempty" doc:"its place in the order of the line, in whatever the railway counts: kilometres, chains, numbers"`
	Drive        string  `json:"drive,omitempty" enum:"electric,hydraulic,pneumatic,manual,other" doc:"kind of drive"`
	Criticality  int     `json:"criticality,omitempty" minimum:"0" maximum:"5" doc:"consequence of a failure, 1 slight to 5 severe; 0: not said, counts as 3"`
	ThrowTime    float64 `json:"throw_time_s,omitempty" doc:"s, the longest throw that is allowed; 0: not said"`
	EffortRise   float64 `json:"effort_rise_percent,omitempty" doc:"%, the rise of the effort that is allowed; 0: not said"`
	OutOfService bool    `json:"out_of_service,omitempty"`
	Notes        string  `json:"notes,omitempty"`
}

// Match selects turnouts and what is told of them. An empty list matches all;
// turnouts may be patterns with * and ?.
type Match struct {
	Areas      []string   `json:"areas,omitempty" yaml:"areas"`
	Lines      []string   `json:"lines,omitempty" yaml:"lines"`
	Turnouts   []string   `json:"turnouts,omitempty" yaml:"turnouts"`
	Conditions []string   `json:"conditions,omitempty" yaml:"conditions"`
	Priorities []Priority `json:"priorities,omitempty" yaml:"priorities"`
}
