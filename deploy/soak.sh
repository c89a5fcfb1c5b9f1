#!/usr/bin/env bash
# The tests that take hours. Without an argument all parts, one after the other;
# otherwise the parts that are named:
#
#   hours     the daemon on a fast clock, four virtual batches at a time; fails on
#             growth of goroutines, memory or files, and on a reading, notification
#             or command that is missing or doubled. A line a round.
#   year      the same for a year of the cellar, as fast as the machine goes
#   restarts  the daemon restarted while a crash is due
#   kills     kill -9 in a stream of 200 readings a second, either broker
#   stops     SIGTERM in the same stream
#   memory    a control group of 64 MB, where the kernel kills who takes more; as root
#   broker    mosquitto absent at the start, restarted, its line cut and black-holed
#   load      benchmarks: stream against bare Paho, reading to ring, many batches,
#             ten million readings
#
#   EBBLINE_SOAK_FOR       how long hours takes, of real time; 12h
#   EBBLINE_SOAK_SPEED     seconds of the cellar in one of ours; 4500
#   EBBLINE_SOAK_RESTARTS  how many restarts; 100
#   EBBLINE_SOAK_DAYS      of the cellar, for year; 365
#   EBBLINE_SOAK_READINGS  in the journal whose questions are timed by load; 10000000
#
# Needs: Go, and mosquitto for all but hours and year (deploy/test.sh installs it).
# Try it out: EBBLINE_SOAK_FOR=5m EBBLINE_SOAK_SPEED=20000 deploy/soak.sh hours
set -euo pipefail
cd "$(dirname "$0")/.."

binary=$(mktemp -d)
group=''
trap 'rm -rf "$binary"; [ -z "$group" ] || rmdir "$group"' EXIT

long() { # pattern of the tests, in which package
  go test -count 1 -timeout 3h -v -run "$1" "$2"
}

part() {
  echo "== $1"
  case $1 in
    hours)
      go build -o "$binary/ebbline" ./cmd/ebbline
      "$binary/ebbline" soak --for "${EBBLINE_SOAK_FOR:-12h}" --speed "${EBBLINE_SOAK_SPEED:-4500}"
      ;;
    year)
      go build -o "$binary/ebbline" ./cmd/ebbline
      "$binary/ebbline" soak --days "${EBBLINE_SOAK_DAYS:-365}" --speed 200000
      ;;
    restarts) EBBLINE_RESTARTS="${EBBLINE_SOAK_RESTARTS:-100}" long TestRestartsWithCrashNowRinging ./cmd/ebbline ;;
    kills) EBBLINE_KILLS=200 long TestNoAcknowledgedReadingIsLostToKills ./cmd/ebbline ;;
    stops) EBBLINE_STOPS=200 long TestStopsInTimeUnderLoad ./cmd/ebbline ;;
    memory)
      if [ -e /sys/fs/cgroup/memory ]; then group=/sys/fs/cgroup/memory/ebbline-$$ limit=memory.limit_in_bytes # version 1
      else group=/sys/fs/cgroup/ebbline-$$ limit=memory.max; fi
      mkdir "$group"
      echo 64M >"$group/$limit"
      EBBLINE_MEMORY_GROUP=$group long TestSixtyFourMegabytes ./cmd/ebbline
      ;;
    broker)
      EBBLINE_BROKER_ABSENT_SECONDS=600 EBBLINE_BROKER_RESTARTS=50 EBBLINE_BLACK_HOLE_SECONDS=300 long 'TestBrokerAbsent|TestBrokerBlackHoled' ./cmd/ebbline
      EBBLINE_CUTS=200 long TestConnectionCutInAStream ./ingest/broker
      ;;
    load)
      go test -count 1 -timeout 3h -run '^$' -bench Stream -benchtime 3x ./ingest/journal
      EBBLINE_READINGS="${EBBLINE_SOAK_READINGS:-10000000}" go test -count 1 -timeout 3h -run '^$' -bench Millions ./ingest/journal
      go test -count 1 -timeout 3h -run '^$' -bench ReadingToRing -benchtime 100x ./cmd/ebbline
      go test -count 1 -timeout 3h -run '^$' -bench ManyBatches -benchtime 1x ./cmd/ebbline
      ;;
    *)
      echo "no such part: $1; there are hours, year, restarts, kills, stops, memory, broker, load" >&2
      exit 2
      ;;
  esac
}

[ $# -gt 0 ] || set -- hours year restarts kills stops memory broker load
for p in "$@"; do part "$p"; done
