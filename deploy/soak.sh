#!/usr/bin/env bash
# The tests that take hours. Without an argument all parts, one after the other;
# otherwise the parts that are named:
#
#   year      the daemon on a fast clock, four virtual batches at a time; fails on
#             growth of goroutines, memory or files, and on a reading, notification
#             or command that is missing or doubled. A line a round.
#   restarts  the daemon restarted while a crash is due
#   kills     kill -9 in a stream of 200 readings a second, either broker
#   stops     SIGTERM in the same stream
#   broker    mosquitto absent at the start, restarted, its line cut and black-holed
#
#   EBBLINE_SOAK_FOR       how long year takes, of real time; 12h
#   EBBLINE_SOAK_SPEED     seconds of the cellar in one of ours; 4500
#   EBBLINE_SOAK_RESTARTS  how many restarts; 100
#
# Needs: Go, and mosquitto for all but year (deploy/test.sh installs it).
# Try it out: EBBLINE_SOAK_FOR=5m EBBLINE_SOAK_SPEED=20000 deploy/soak.sh year
set -euo pipefail
cd "$(dirname "$0")/.."

binary=$(mktemp -d)
trap 'rm -rf "$binary"' EXIT

long() { # pattern of the tests, in which package
  go test -count 1 -timeout 3h -v -run "$1" "$2"
}

part() {
  echo "== $1"
  case $1 in
    year)
      go build -o "$binary/ebbline" ./cmd/ebbline
      "$binary/ebbline" soak --for "${EBBLINE_SOAK_FOR:-12h}" --speed "${EBBLINE_SOAK_SPEED:-4500}"
      ;;
    restarts) EBBLINE_RESTARTS="${EBBLINE_SOAK_RESTARTS:-100}" long TestRestartsWithCrashNowRinging ./cmd/ebbline ;;
    kills) EBBLINE_KILLS=200 long TestNoAcknowledgedReadingIsLostToKills ./cmd/ebbline ;;
    stops) EBBLINE_STOPS=200 long TestStopsInTimeUnderLoad ./cmd/ebbline ;;
    broker)
      EBBLINE_BROKER_ABSENT_SECONDS=600 EBBLINE_BROKER_RESTARTS=50 EBBLINE_BLACK_HOLE_SECONDS=300 long 'TestBrokerAbsent|TestBrokerBlackHoled' ./cmd/ebbline
      EBBLINE_CUTS=200 long TestConnectionCutInAStream ./ingest/broker
      ;;
    *)
      echo "no such part: $1; there are year, restarts, kills, stops, broker" >&2
      exit 2
      ;;
  esac
}

[ $# -gt 0 ] || set -- year restarts kills stops broker
for p in "$@"; do part "$p"; done
