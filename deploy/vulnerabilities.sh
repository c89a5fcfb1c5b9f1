#!/usr/bin/env bash
# Looks whether ebbline calls code with a published vulnerability: govulncheck
# with the Go vulnerability database, which comes as a module like any other, so
# that nothing but the module proxy is asked. Takes some minutes.
#
# Status 0: none is called; 3: some are, and each is shown with the version that
# mends it. Those of the standard library go with a newer Go:
#   GOTOOLCHAIN=go1.26.10 deploy/vulnerabilities.sh
set -euo pipefail
cd "$(dirname "$0")/.."

database=golang.org/x/vulndb@latest
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

version=$(go list -m -f '{{.Version}}' "$database")
(cd "$scratch" && go mod init scratch 2>/dev/null && go mod download "golang.org/x/vulndb@$version")
go run "golang.org/x/vulndb/cmd/indexdb@$version" \
  -vulns "$(go env GOMODCACHE)/golang.org/x/vulndb@$version/data/osv" -out "$scratch/db"
count=$(find "$scratch/db/ID" -name 'GO-*.json' | wc -l)
[ "$count" -gt 4000 ] || { echo "vulnerabilities: only $count reports in $version; is the module cut off?" >&2; exit 1; }
echo "vulnerabilities: $count reports of $version, built with $(go env GOVERSION)"
go run golang.org/x/vuln/cmd/govulncheck@v1.9.0 -db "file://$scratch/db" ./...
