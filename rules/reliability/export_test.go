package reliability

// Proportions is the plain p chart, whose published example the tests have.
func Proportions(events, trials []float64) (c Chart, ok bool) { return proportions(events, trials, 1) }
