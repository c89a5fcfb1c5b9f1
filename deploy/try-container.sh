#!/usr/bin/env bash
# Tries the container files as an administrator would: builds the image from
# container/Containerfile, runs the daemon alone, then the set of container/compose.yaml
# by the commands at its top. Prints what it sees; the first thing that is not as
# it should be ends it with status 1.
#
# Images from registries are stood in for by one made here from Debian's packages
# and this machine's Go, under each of their names. Grafana is no Debian package,
# so of the set it is left out.
#
# Needs root, Go, and Debian's debootstrap, podman, podman-compose, runc, netavark,
# aardvark-dns, iptables, mosquitto-clients, and some minutes. EBBLINE_ROOT names a fresh
# root to copy. Storage and network are its own and gone afterwards.
set -euo pipefail
cd "$(dirname "$0")/.."
work=$(mktemp -d)
export CONTAINERS_STORAGE_CONF=$work/storage.conf CONTAINERS_CONF=$work/containers.conf DISABLE_HC_SYSTEMD=true
net=''
cleanup() {
  [ -z "$net" ] || { inside podman rm --all --force --time 2 >/dev/null 2>&1 || true; kill "$net" || true; }
  umount -l "$work"/store/overlay 2>/dev/null || true
  rm -rf --one-file-system "$work"
}
trap cleanup EXIT
say() { printf '\n== %s\n' "$*"; }
saw() { printf '   %s\n' "$*"; }
fail() { printf '\nNOT AS IT SHOULD BE: %s\n' "$*" >&2; exit 1; }
expect() { # what, pattern, text
  grep -qE -- "$2" <<<"$3" || fail "$1: $3"
  saw "$1: $(grep -oE -m1 -- "$2.*" <<<"$3" | head -c 100)"
}
soon() { # what, pattern, command: until its output has the pattern
  local out='' what=$1 pattern=$2
  shift 2
  for _ in $(seq 150); do
    out=$("$@" 2>&1 || true)
    if grep -qE -- "$pattern" <<<"$out"; then expect "$what" "$pattern" "$out"; return; fi
    sleep 0.4
  done
  fail "$what: $out; $(podman logs --tail 3 ebbline_ebbline_1 2>&1)"
}

# Limits that need no CAP_SYS_RESOURCE; runc, because crun takes no hybrid control groups.
printf '[storage]\ndriver = "overlay"\ngraphroot = "%s/store"\nrunroot = "%s/run"\n' "$work" "$work" >"$CONTAINERS_STORAGE_CONF"
printf '[containers]\ndefault_ulimits = ["nofile=4096:4096","nproc=1000:1000"]\n[engine]\nruntime = "runc"\n[network]\nnetwork_config_dir = "%s/networks"\n' "$work" >"$CONTAINERS_CONF"

say 'Images to stand in for those of registries'
root=$work/root
if [ -n "${EBBLINE_ROOT:-}" ]; then cp -a "$EBBLINE_ROOT" "$root"; else debootstrap --variant=minbase bookworm "$root" >"$work/log"; fi
chroot "$root" sh -c 'export DEBIAN_FRONTEND=noninteractive RUNLEVEL=1; apt-get update -qq &&
  apt-get install -y -qq --no-install-recommends ca-certificates curl mosquitto victoria-metrics prometheus && apt-get clean' >>"$work/log" 2>&1 || fail "$(tail -5 "$work/log")"
cp -a "$(go env GOROOT)" "$root/usr/local/go"
cp -L /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/" # the modules' proxy may have a certificate of this house
# The published broker runs as 1883 and, started as root, takes all below /mosquitto for itself.
chroot "$root" sh -c 'usermod -u 1883 mosquitto && groupmod -g 1883 mosquitto && install -d -o 1883 -g 1883 /mosquitto/data && install -d -o 65534 /prometheus'
printf '#!/bin/sh\nset -e\n[ "$(id -u)" != 0 ] || chown -R mosquitto:mosquitto /mosquitto || true\nexec "$@"\n' >"$root/own"
chmod 755 "$root/own"
tar -C "$root" --one-file-system -c . | podman import -q - stand-in >/dev/null
stand_in() { # name, then lines of a Containerfile
  local name=$1
  shift
  printf '%s\n' 'FROM localhost/stand-in' "$@" | podman build -q --pull=never --format docker -t "$name" -f - "$work/none" >/dev/null
  saw "$name"
}
mkdir "$work/none"
compose=deploy/container/compose.yaml
image() { sed -n "s|^ *image: \(.*$1.*\)|\1|p" $compose; }
stand_in "$(sed -n 's/^FROM \(.*\) AS build$/\1/p' deploy/container/Containerfile)" 'ENV PATH=/usr/local/go/bin:/usr/sbin:/usr/bin:/sbin:/bin GOTOOLCHAIN=local'
stand_in "$(image mosquitto)" 'VOLUME /mosquitto/data' 'ENTRYPOINT ["/own"]' 'CMD ["/usr/sbin/mosquitto","-c","/mosquitto/config/mosquitto.conf"]'
stand_in "$(image victoria)" 'ENTRYPOINT ["/usr/bin/victoria-metrics"]'
stand_in "$(image prom/)" 'USER 65534' 'VOLUME /prometheus' 'ENTRYPOINT ["/usr/bin/prometheus"]' 'CMD ["--config.file=/etc/prometheus/prometheus.yml","--storage.tsdb.path=/prometheus"]'

say 'The image of ebbline'
mkdir "$work/src"
git ls-files -z | xargs -0 cp --parents -t "$work/src"
cd "$work/src"
build=$(sed -n 's/^# *\(podman build .*\)/\1/p' deploy/container/Containerfile) # as its first lines say
saw "$build"
$build --network host >"$work/log" 2>&1 || fail "$(tail -20 "$work/log")"
saw "$(podman images --format '{{.Size}}' localhost/ebbline)"

# From here on in a network of its own: the ports of the files are free there.
unshare --net --fork sleep infinity &
for _ in $(seq 50); do net=$(pgrep -P $! || true); [ -z "$net" ] || break; sleep 0.1; done
inside() { nsenter -t "$net" -n "$@"; }
inside ip link set lo up
ask() { inside curl -sL "http://127.0.0.1:8080$1" "${@:2}"; }
code() { ask /readyz -o /dev/null -w '%{http_code}'; }
readings() { ask /metrics | sed -n 's/^ebbline_journal_readings //p'; }
send() { # how many readings of a minute, then options of mosquitto_pub
  local lines
  lines=$(for i in $(seq "$1"); do echo "{\"g\":1.0120,\"t\":19.5,\"ts\":$(($(date +%s) - 60 * i))}"; done)
  shift
  inside mosquitto_pub -h 127.0.0.1 -q 1 -u float-1 -l "$@" <<<"$lines"
}
float() { # into that folder of data, a batch with a sensor
  install -d -o 65532 -g 65532 "$1/batches"
  cat >"$1/batches/batch.yaml" <<Y
sensors:
  - {name: float-1, topic: cellar/float-1, time: /ts, readings: [{quantity: gravity, pointer: /g, unit: sg}, {quantity: temperature, pointer: /t, unit: Cel}]}
batch: {name: cellar door 1, volume: 19 L, original_gravity: 1.0140, ceiling: 0.5, pitched_at: $(date -u -d '-30 hours' +%Y-%m-%dT%H:%M:%SZ), sensors: [float-1]}
Y
  for _ in $(seq 50); do ! ask /metrics | grep -q cellar-door-1 || return 0; sleep 0.4; done
  fail "the batch is not there: $(podman logs --tail 5 --latest 2>&1)"
}
volume() { podman volume inspect -f '{{.Mountpoint}}' "$1"; }
healthy() { expect "$1 is healthy" '^0$' "$(inside podman healthcheck run "$1"; echo $?)"; }

say 'The daemon alone, its own broker'
cd "$work" # where the administrator's files lie
sed '/^mirror:/,$d; s|^  url: .*|  listen: 0.0.0.0:1883|; s|^  username: .*|  users:|; s|^  password_file: .*|    - {name: float-1, password_file: /etc/ebbline/float-1}|' src/deploy/container/ebbline.yaml >ebbline.yaml
echo 'a password' >float-1
chown 65532 float-1
run=$(sed -n '/^# *podman run/,/[^\\]$/s/^# *\([^\\]*\)\\*$/\1/p' src/deploy/container/Containerfile | tr '\n' ' ')
saw "$run"
for round in first second; do
  inside $run >/dev/null
  soon "$round container, readyz" '^200$' code
  if [ $round = first ]; then
    expect 'its log' 'password of the page is' "$(podman logs ebbline 2>&1)"
    expect 'data folder' '^65532 65532 700' "$(stat -c '%u %g %a' "$(volume ebbline)")"
    expect record '^65532 65532 600' "$(stat -c '%u %g %a' "$(volume ebbline)/ebbline.db")"
    float "$(volume ebbline)"
    send 60 -t cellar/float-1 -P 'a password'
    send 1 -t cellar/float-1 -P another 2>/dev/null && fail 'another password is taken'
    expect page 'type="password"' "$(ask /)"
  fi
  expect readings '^120$' "$(readings)"
  healthy ebbline
  began=$(date +%s%N)
  inside podman stop ebbline >/dev/null
  expect "stopped after $((($(date +%s%N) - began) / 1000000)) ms, status" '^0$' "$(podman inspect -f '{{.State.ExitCode}}' ebbline)"
  inside podman rm ebbline >/dev/null
done

say 'The set of compose.yaml, without Grafana'
cd "$work/src/deploy/container"
sed -n 's/^#   //p' compose.yaml | sed 's/docker compose/podman-compose/' >"$work/once"
inside bash -e "$work/once" >"$work/log" 2>&1 || fail "$(cat "$work/log")"
set_of() { inside podman-compose -p ebbline "$@" >"$work/log" 2>&1 || fail "$(cat "$work/log")"; }
set_of up -d broker victoria-metrics prometheus ebbline
soon "all up, readyz" '^200$' code
expect 'data folder' '^65532 65532 700' "$(stat -c '%u %g %a' "$(volume ebbline_ebbline)")"
float "$(volume ebbline_ebbline)"
send 60 -t cellar/float-1 -P "$(cat secrets/float-1)"
soon readings '^120$' readings
healthy ebbline_ebbline_1
look() { inside podman exec "ebbline_$1_1" curl -gs "$2"; } # as a service of the set, by the others' names
soon mirrored '"value":\[[0-9.]+,"120"\]' look prometheus 'http://victoria-metrics:8428/api/v1/query?query=sum(count_over_time(reading_value[2h]))'
soon scraped '"value":\[[0-9.]+,"1"\]' look prometheus 'http://localhost:9090/api/v1/query?query=up{job="ebbline"}'
soon rules '"health":"ok"' look prometheus http://localhost:9090/api/v1/rules
expect 'ports beyond the set' '^1883 8080$' "$(podman ps --format '{{.Ports}}' | grep -o '0.0.0.0:[0-9]*' | cut -d: -f2 | sort | xargs)"
set_of down
expect 'containers after down' '^0$' "$(podman ps -aq | wc -l)"
set_of up -d broker victoria-metrics prometheus ebbline
soon 'readings in new containers' '^120$' readings
printf '\nAll as it should be.\n'
