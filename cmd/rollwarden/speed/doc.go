// Package speed holds benchmarks alone, of the whole watch: how fast it reads a
// journal, how soon it is back after a restart, what room ten thousand machines
// take, and how soon a page comes, beside the same hazard watched by Prometheus
// and Alertmanager.
//
// Each reports ratios against a baseline of the same run; none asserts a time.
//
//	go test ./cmd/rollwarden/speed -run '^$' -bench . -benchtime 1x -timeout 30m
//
// SPEED_EVENTS is how many events the long journals hold; 200000 unless it is set.
package speed
