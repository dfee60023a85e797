#!/bin/sh
# Builds the Debian package into a folder:
#
#   VERSION=1.0.0 sh deploy/package/build.sh /tmp/rollwarden
#
# ARCH is amd64 or arm64; without it the package is for this computer.
set -eu
: "${VERSION:?want the version of the package, such as VERSION=1.0.0}"
[ $# = 1 ] || { echo "usage: VERSION=1.0.0 sh deploy/package/build.sh FOLDER" >&2; exit 2; }
mkdir -p "$1"
OUT=$(cd "$1" && pwd)
ARCH=${ARCH:-$(go env GOARCH)}
SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct 2>/dev/null || date +%s)}
export OUT ARCH VERSION SOURCE_DATE_EPOCH
cd "$(dirname "$0")/../.."

CGO_ENABLED=0 GOOS=linux GOARCH=$ARCH go build -trimpath -ldflags=-s -o "$OUT/rollwarden" ./cmd/rollwarden
for unit in rollwarden.service rollwarden-backup.service; do
	sed 's#/usr/local/#/usr/#' "deploy/systemd/$unit" >"$OUT/$unit"
done
for page in rollwarden.1 rollwarden.yaml.5; do
	gzip -9nc "deploy/man/$page" >"$OUT/$page.gz"
done
gzip -9nc >"$OUT/changelog.gz" <<END
rollwarden ($VERSION) unstable; urgency=medium

  * See "Changelog" in README.md.

 -- Rollwarden maintainers <maintainers@rollwarden.example>  $(LC_ALL=C date -u -R -d "@$SOURCE_DATE_EPOCH")
END
# The last version of nfpm whose modules the proxy has all of.
go run github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.0 package --config deploy/package/nfpm.yaml --packager deb --target "$OUT"
