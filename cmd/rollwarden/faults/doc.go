// Package faults holds tests alone. They run the real program as a process,
// feed it through the edges that a shop uses, hurt it, and then prove from
// outside that nothing was lost, nothing counted twice, and no alarm or page
// stayed away.
//
// The proof is the checker (checker_test.go). It reads the journal with bare
// nats.go, knows neither the rules nor the watcher packages, and holds the
// journal against what the test itself did and saw. planted_test.go shows that
// it finds a planted loss, double, missed alarm and dropped page.
//
// FAULTS=long runs the longer forms.
package faults
