package demo

// health is everything about a turnout that a fault can change. A fault works
// only through it: nothing is ever painted on a trace.
type health struct {
	chairs       float64    // μ of all chairs as a multiple
	patch        float64    // added to μ of the chairs that run dry by themselves
	stiffGrease  float64    // drag of the grease as a multiple
	roller       float64    // added to μ of the seized set of rollers
	debris       float64    // N, packed between blade and stock rail
	debrisEnd    int        // 0 normal, 1 reverse
	debrisDepth  float64    // m
	lock         [2]float64 // m, added to how tight the lock is, by end
	backSlack    float64    // m, added
	backFriction float64    // N, added at the toe
	bind         float64    // N at the rod over the whole travel
	backBind     float64    // the same, of a back drive with its own motor
	leak         float64    // m³/s a Pa, added
	air          float64    // share of the pump's flow that is air
	brush        float64    // Ω, added at the commutator
	rough        float64    // 0 to 1: how unsteady that is
	bearing      float64    // N·m of drag, added
	magnet       float64    // share of the field that is lost
	rotor        float64    // rotor resistance of an induction motor as a multiple
	cable        float64    // Ω, added to the cable of a DC motor
	sag          float64    // share of nominal voltage lost at rated power, added, of an induction motor
	source       float64    // share of the source's voltage that is lost
	gain         float64    // of the sensor, as a multiple
	zero         float64    // added, as a share of the sensor's usual reading
	noise        float64    // multiple of the sensor's noise
	dropout      float64    // share of samples lost to a loose plug
	toeDetector  [2]float64 // share of the lock's stroke by which it makes later
	backDetector [2]float64
	creep        float64 // s, of the closed blade at the end of the stroke
}

// sound returns the health of a turnout without faults.
func sound() health {
	return health{chairs: 1, stiffGrease: 1, rotor: 1, gain: 1, noise: 1, creep: 0.5, debrisDepth: 0.03}
}
