#!/usr/bin/env bash
# Runs the daemon for long on a fast clock, four virtual batches at a time, and
# restarts the real daemon a hundred times while a crash is due. Fails on growth
# of goroutines, memory or files, and on a reading, notification or command that
# is missing or doubled. A line a round on standard output.
#
#   EBBLINE_SOAK_FOR       how long, of real time; 12h
#   EBBLINE_SOAK_SPEED     seconds of the cellar in one of ours; 4500
#   EBBLINE_SOAK_RESTARTS  how many restarts; 100
#
# Needs: Go, and mosquitto for the restarts (deploy/test.sh installs it).
# Try it out: EBBLINE_SOAK_FOR=5m EBBLINE_SOAK_SPEED=20000 deploy/soak.sh
set -euo pipefail
cd "$(dirname "$0")/.."

binary=$(mktemp -d)
trap 'rm -rf "$binary"' EXIT
go build -o "$binary/ebbline" ./cmd/ebbline

echo "== soak"
"$binary/ebbline" soak --for "${EBBLINE_SOAK_FOR:-12h}" --speed "${EBBLINE_SOAK_SPEED:-4500}"
echo "== restarts while the crash is due"
EBBLINE_RESTARTS="${EBBLINE_SOAK_RESTARTS:-100}" go test -count 1 -timeout 1h -v -run TestRestartsWithCrashNowRinging ./cmd/ebbline
