#!/usr/bin/env bash
# Sets up what the tests need and runs them all: the Debian packages that are
# missing, the two tools that come as Go modules, then vet, linters, and every
# test (unit, integration, browser) with the race detector.
#
# Needs: Debian 12 or later, Go, and root (or sudo) if a package is missing.
set -euo pipefail
cd "$(dirname "$0")/.."

packages=(systemd mosquitto mosquitto-clients victoria-metrics prometheus chromium python3 python3-aiosmtpd strace gcc libc6-dev)
missing=()
for p in "${packages[@]}"; do
  dpkg-query -W -f '${Status}' "$p" 2>/dev/null | grep -q 'ok installed' || missing+=("$p")
done
if [ ${#missing[@]} -gt 0 ]; then
  echo "== installing ${missing[*]}"
  as_root=()
  [ "$(id -u)" = 0 ] || as_root=(sudo)
  "${as_root[@]}" apt-get update -qq
  # A freshly installed server package must not start a service of its own here.
  "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive RUNLEVEL=1 apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
fi

tools=$(go env GOPATH)/bin
[ -n "$(go env GOBIN)" ] && tools=$(go env GOBIN)
tool() { # module path of the command, version
  local name=${1##*/}
  if ! go version -m "$tools/$name" 2>/dev/null | grep -qE "^\s+mod\s+\S+\s+$2\b"; then
    echo "== building $name $2"
    go install "$1@$2"
  fi
}
tool github.com/influxdata/influxdb/cmd/influxd v1.8.10
tool github.com/golangci/golangci-lint/v2/cmd/golangci-lint v2.15.0
export EBBLINE_INFLUXD="$tools/influxd"

echo "== vet"
go vet ./...
echo "== licences of all that is built in"
deploy/licences.sh
echo "== tests with the race detector; the linters use what time they leave"
lint=$(mktemp)
nice "$tools/golangci-lint" run --timeout 30m ./... >"$lint" 2>&1 &
linters=$!
trap 'kill $linters 2>/dev/null || true; rm -f "$lint"' EXIT
failed=0
go test -race -timeout 40m ./... || failed=1
echo "== linters"
wait $linters || failed=1
cat "$lint"
exit $failed
