#!/bin/sh
# Checks the whole project. It installs what it needs and fails if it cannot.
#
#   sh deploy/test.sh            everything that every change must pass
#   FUZZ=30s sh deploy/test.sh   and each fuzz target for that long
#   BENCH=1 sh deploy/test.sh    and the benchmarks (read them as ratios)
#   FAULTS=long sh deploy/test.sh   and kill, cut and starve for hours, not for minutes
set -eu
cd "$(dirname "$0")/.."

step() { printf '\n== %s\n' "$*"; }

# need PROGRAM PACKAGE: the Debian package is installed when the program is not
# there. Runlevel 1 keeps a server that comes with one from being started: the
# tests start what they need themselves.
need() {
	command -v "$1" >/dev/null 2>&1 && return
	step "install $2"
	sudo=
	[ "$(id -u)" = 0 ] || sudo=sudo
	$sudo apt-get update -qq
	$sudo env RUNLEVEL=1 DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$2"
	command -v "$1" >/dev/null 2>&1 || { echo "cannot install $2, which the tests need" >&2; exit 1; }
}

command -v go >/dev/null 2>&1 || { echo "install Go first: https://go.dev/dl" >&2; exit 1; }
need gcc gcc # for the race detector
need chromium chromium # for the pages
need Rscript r-base-core # computes the statistics independently
need soffice libreoffice-calc-nogui # reads the report's workbook
need pdftotext poppler-utils # reads its PDF
need promtool prometheus # checks the rules, and plays them
need amtool prometheus-alertmanager # checks the routes
need systemd-analyze systemd # checks the unit
need strace strace # sees what is synced before it is acknowledged
need mandoc mandoc # checks the manual
need lintian lintian # checks the Debian package
need update-ca-certificates ca-certificates # go into the container image
need zsh zsh # completes the command line
need fish fish # and so does it
need ipptool cups-ipp-utils # comes with a printer that speaks IPP, which is asked
need dbus-daemon dbus-daemon # which that printer does not start without
need mosquitto_pub mosquitto-clients # a button that speaks MQTT

step "format"
bad=$(gofmt -l cmd deploy metrics rules watcher)
[ -z "$bad" ] || { printf 'run gofmt -w on:\n%s\n' "$bad" >&2; exit 1; }

step "modules"
go mod verify
go mod tidy -diff

step "vet"
go vet ./...
go run honnef.co/go/tools/cmd/staticcheck@v0.8.2 ./...

# The database of known holes is on the network. Without it nothing is known, which
# is said and is no reason to fail; a finding always is.
step "known vulnerabilities"
if report=$(go run golang.org/x/vuln/cmd/govulncheck@v1.9.0 ./... 2>&1); then
	printf '%s\n' "$report"
elif printf '%s' "$report" | grep -q 'fetching vulnerabilities: .*\(dial\|lookup\|timeout\|refused\|unreachable\)'; then
	echo "NOT CHECKED: the database at vuln.go.dev does not answer from here"
else
	printf '%s\n' "$report" >&2
	exit 1
fi

step "test"
limit=15m
[ "${FAULTS:-}" != long ] || limit=6h
go test -timeout "$limit" ./...

# Short: what a browser sees was seen above. Below the engine there is no goroutine.
step "test with the race detector"
go test -race -short -timeout 15m ./rules ./watcher/... ./metrics/... ./cmd/rollwarden/app/...

if [ -n "${FUZZ:-}" ]; then
	for file in $(grep -rl '^func Fuzz' --include='*_test.go' .); do
		for target in $(sed -n 's/^func \(Fuzz[A-Za-z0-9]*\)(.*/\1/p' "$file"); do
			step "fuzz $target for $FUZZ"
			go test "./$(dirname "$file")" -run '^$' -fuzz "^$target\$" -fuzztime "$FUZZ" -fuzzminimizetime 1s
		done
	done
fi

if [ -n "${BENCH:-}" ]; then
	step "benchmarks"
	go test -run '^$' -bench . -benchmem $(go list ./... | grep -v '/speed$')
	go test -run '^$' -bench . -benchtime 1x -timeout 30m ./cmd/rollwarden/speed # each is a whole watch
fi

step "all passed"
