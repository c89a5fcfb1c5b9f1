#!/usr/bin/env bash
# Tries the Debian package as an administrator would, on a clean root: install,
# start, publish, see the page, upgrade to a newer build with the batch running,
# remove, install again, purge. Prints what it sees; the first thing that is not
# as it should be ends it with status 1.
#
#   deploy/try-deb.sh [OLD.deb NEW.deb]      without: both built from this commit
#
# Needs root, debootstrap, systemd-container, and some minutes. The clean root is
# booted with systemd-nspawn; where that cannot be, it is entered with chroot and
# the unit's command is run by hand as the unit's user. EBBLINE_ROOT names a fresh
# root to copy, so that it is not made anew each time.
set -euo pipefail
here=$(realpath "$(dirname "$0")")
work=$(mktemp -d)
root=$work/root
leader='' nspawn='' keep='' float=''
cleanup() {
  [ -z "$keep" ] || kill "$keep" 2>/dev/null || true
  [ -z "$float" ] || kill "$float" 2>/dev/null || true
  if [ -n "$leader" ]; then
    kill -s RTMIN+4 "$leader" 2>/dev/null || true # systemd: power off
    for _ in $(seq 50); do kill -0 "$nspawn" 2>/dev/null || break; sleep 0.2; done
  fi
  [ -z "$nspawn" ] || kill -KILL "$nspawn" 2>/dev/null || true
  umount "$root/proc" 2>/dev/null || true
  rm -rf --one-file-system "$work"
}
trap cleanup EXIT
say() { printf '\n== %s\n' "$*"; }
saw() { printf '   %s\n' "$*"; }
fail() { printf '\nNOT AS IT SHOULD BE: %s\n' "$*" >&2; exit 1; }
expect() { # what, pattern, text
  grep -qE -- "$2" <<<"$3" || fail "$1: $3"
  saw "$1: $(grep -E -m1 -- "$2" <<<"$3")"
}

if [ $# = 2 ]; then
  old=$1 new=$2
else
  say 'Two builds of this commit'
  EBBLINE_VERSION=0.0.1 "$here/package.sh" "$work/dist" amd64 >/dev/null
  EBBLINE_VERSION=0.0.2 "$here/package.sh" "$work/dist" amd64 >/dev/null
  old=$work/dist/ebbline_0.0.1_amd64.deb new=$work/dist/ebbline_0.0.2_amd64.deb
fi
version_of() { dpkg-deb -f "$1" Version; }

say 'A clean root'
if [ -n "${EBBLINE_ROOT:-}" ]; then
  cp -a "$EBBLINE_ROOT" "$root"
else
  debootstrap --variant=minbase --include=systemd,systemd-sysv,dbus,adduser,mosquitto-clients,curl bookworm "$root" >"$work/debootstrap.log"
fi
saw "Debian $(cat "$root/etc/debian_version")"
cp "$old" "$root/root/old.deb"
cp "$new" "$root/root/new.deb"
find "$root" -xdev ! -path "$root/proc/*" ! -path "$root/var/cache/*" -printf '%P\n' | sort >"$work/before"

# within runs a command inside the root.
within() { chroot "$root" "$@"; }
if systemd-nspawn --version >/dev/null 2>&1; then
  systemd-nspawn --quiet --directory="$root" --private-network --register=no --keep-unit --boot >"$work/boot.log" 2>&1 </dev/null &
  nspawn=$!
  for _ in $(seq 150); do
    leader=$(pgrep -P "$nspawn" | head -1 || true)
    if [ -n "$leader" ] && nsenter -t "$leader" -a systemctl is-system-running 2>/dev/null | grep -qE 'running|degraded'; then break; fi
    kill -0 "$nspawn" 2>/dev/null || break
    sleep 0.4
  done
fi
if [ -n "$leader" ] && kill -0 "$leader" 2>/dev/null && nsenter -t "$leader" -a systemctl is-system-running | grep -qE 'running|degraded'; then
  booted=yes
  within() { nsenter -t "$leader" -a "$@"; }
  saw "booted: systemd $(within systemctl --version | head -1 | cut -d' ' -f2)"
else
  booted='' nspawn='' leader=''
  saw 'systemd-nspawn cannot boot it here; the unit is run by hand'
  [ ! -s "$work/boot.log" ] || tail -3 "$work/boot.log" | sed 's/^/     /'
  # A network of its own, as the booted one has.
  unshare --net --fork sleep infinity &
  keep=$!
  sleep 0.5
  inside=$(pgrep -P "$keep")
  keep=$inside # unshare itself takes no SIGTERM
  nsenter -t "$inside" -n ip link set lo up
  mount -t proc proc "$root/proc"
  within() { nsenter -t "$inside" -n chroot "$root" "$@"; }
fi

# started makes sure that the daemon runs, and stopped that it does not.
hand=''
by_hand() {
  local command
  command=$(sed -n 's/^ExecStart=//p' "$root/lib/systemd/system/ebbline.service")
  within setpriv --reuid=ebbline --regid=ebbline --clear-groups --no-new-privs $command >>"$root/var/log/by-hand" 2>&1 &
  hand=$!
}
started() {
  [ -n "$booted" ] || by_hand
  for _ in $(seq 100); do within curl -sf http://127.0.0.1:8080/readyz >/dev/null && return; sleep 0.2; done
  logged | tail -20
  fail 'the daemon does not become ready'
}
stopped() {
  if [ -z "$booted" ] && [ -n "$hand" ]; then pkill -TERM -P "$hand" 2>/dev/null || kill -TERM "$hand"; wait "$hand" || true; hand=''; fi
}
logged() { if [ -n "$booted" ]; then within journalctl -u ebbline --no-pager; else cat "$root/var/log/by-hand"; fi; }
ask() { within curl -s "http://127.0.0.1:8080$1"; }
readings() { ask /metrics | sed -n 's/^ebbline_journal_readings //p'; }
install_deb() { within env DEBIAN_FRONTEND=noninteractive dpkg --force-confold -i "$1"; } # as one who answers N

say "Install $(version_of "$old")"
install_deb /root/old.deb 2>&1 | sed 's/^/   | /'
started
expect user '^ebbline:' "$(within getent passwd ebbline)"
expect 'data folder' 'ebbline ebbline 700' "$(within stat -c '%U %G %a' /var/lib/ebbline)"
expect configuration 'root ebbline 640' "$(within stat -c '%U %G %a' /etc/ebbline/ebbline.yaml)"
expect 'enabled at boot' 'ebbline.service' "$(ls "$root/etc/systemd/system/multi-user.target.wants")"
if [ -n "$booted" ]; then
  expect unit 'ActiveState=active' "$(within systemctl show ebbline -p ActiveState,Type,WatchdogUSec,StatusText)"
  expect 'its own word' 'StatusText=Page http://127.0.0.1:8080' "$(within systemctl show ebbline -p StatusText)"
  expect 'security' 'Overall exposure' "$(within systemd-analyze security ebbline 2>&1 || true)"
fi
expect 'the log has the password' 'The password of the page is' "$(logged)"
! logged | grep -q $'\x1b' || fail 'the log has colour codes'
expect version "^ebbline $(version_of "$old")," "$(within ebbline version)"

say 'A batch, a float, the page'
pitched=$(date -u -d '-30 hours' +%Y-%m-%dT%H:%M:%SZ)
cat >"$work/batch.yaml" <<Y
sensors:
  - name: float-1
    topic: cellar/float-1
    time: /ts
    readings:
      - {quantity: gravity, pointer: /g, unit: sg}
      - {quantity: temperature, pointer: /t, unit: Cel}
batch:
  name: cellar door 1
  volume: 19 L
  original_gravity: 1.0140
  ceiling: 0.5
  pitched_at: $pitched
  response_time: 30m
  crash: {to: 2 Cel, time_constant: 5h}
  sensors: [float-1]
Y
within install -d -o ebbline -g ebbline /var/lib/ebbline/batches
cp "$work/batch.yaml" "$root/var/lib/ebbline/batches/batch.yaml"
within chown ebbline: /var/lib/ebbline/batches/batch.yaml
for _ in $(seq 50); do ask /api/v1/batches | grep -q 'cellar door 1' && break; sleep 0.2; done
expect batch 'cellar door 1' "$(ask /api/v1/batches | head -c 300)"
for i in $(seq 0 119); do # every quarter of an hour since the pitch
  awk -v i="$i" -v ts=$(($(date -d "$pitched" +%s) + i * 900)) 'BEGIN { printf "{\"g\":%.4f,\"t\":19.5,\"ts\":%d}\n", 1.0140 - 0.0025 / (1 + exp((60 - i) / 8)), ts }'
done >"$work/lines"
within mosquitto_pub -h 127.0.0.1 -q 1 -t cellar/float-1 -l <"$work/lines"
[ "$(readings)" = 240 ] || fail "120 messages of two readings, and $(readings) in the record"
saw 'readings: 240 of 120 messages acknowledged and kept'
expect page '<title>' "$(within curl -sL http://127.0.0.1:8080/)"
expect login 'type="password"' "$(within curl -sL http://127.0.0.1:8080/)"
expect health 'well +watches' "$(within ebbline health --config /etc/ebbline/ebbline.yaml)"

say "Upgrade to $(version_of "$new") with the batch running"
echo '# a line of the administrator' >>"$root/etc/ebbline/ebbline.yaml"
first=$(ask /api/v1/batches | sha256sum)
( # a float that publishes all the while and tries each reading until it is acknowledged
  for i in $(seq 1 200); do
    until within mosquitto_pub -h 127.0.0.1 -q 1 -t cellar/float-1 -m "{\"g\":1.0116,\"t\":19.5,\"ts\":$(date +%s%3N)}" 2>/dev/null; do sleep 0.1; done
    echo "$i" >"$work/published"
    [ ! -e "$work/enough" ] || break
    sleep 0.1
  done
) &
float=$!
sleep 2
[ -n "$booted" ] || stopped
install_deb /root/new.deb 2>&1 | sed 's/^/   | /'
started
sleep 3
touch "$work/enough"
wait "$float"
published=$(cat "$work/published")
[ "$(readings)" -ge $((240 + 2 * published)) ] || fail "$published messages acknowledged during the upgrade, and $(($(readings) - 240)) readings in the record"
saw "during it: $published messages acknowledged, $(($(readings) - 240)) readings kept"
expect version "^ebbline $(version_of "$new")," "$(within ebbline version)"
expect 'version that runs' "version=\"$(version_of "$new")\"" "$(ask /metrics | grep '^ebbline_build_info')"
expect 'the batch runs on' 'cellar door 1' "$(ask /api/v1/batches | head -c 300)"
expect 'configuration kept' '^# a line of the administrator' "$(cat "$root/etc/ebbline/ebbline.yaml")"
expect 'owner kept' 'root ebbline 640' "$(within stat -c '%U %G %a' /etc/ebbline/ebbline.yaml)"
[ -z "$booted" ] || expect restarts 'NRestarts=0' "$(within systemctl show ebbline -p NRestarts)"

if [ -n "$booted" ]; then
  say 'Reload'
  pid=$(within systemctl show ebbline -p MainPID --value)
  printf 'units: {gravity: plato}\n' >>"$root/etc/ebbline/ebbline.yaml"
  within systemctl reload ebbline
  sleep 1
  started
  [ "$(within systemctl show ebbline -p MainPID --value)" = "$pid" ] || fail 'a reload has restarted it'
  expect 'its own word' 'StatusText=' "$(within systemctl show ebbline -p StatusText)"
fi

if [ -n "$booted" ]; then
  say 'Killed, it comes back by itself'
  within systemctl kill --signal=KILL ebbline
  sleep 3
  started
  expect restarts 'NRestarts=1' "$(within systemctl show ebbline -p NRestarts)"
  say 'Stopped without a word (SIGSTOP), the watchdog ends it'
  begun=$SECONDS
  within systemctl kill --signal=STOP ebbline
  for _ in $(seq 300); do [ "$(within systemctl show ebbline -p NRestarts --value)" = 1 ] || break; sleep 0.5; done
  saw "restarted after $((SECONDS - begun)) s"
  expect 'why' 'watchdog' "$(logged | grep -i watchdog | tail -1)"
  started
  [ "$(readings)" -ge $((240 + 2 * published)) ] || fail 'readings are missing'
fi

if [ -n "$booted" ]; then
  say 'A password by credential'
  echo a-word-of-its-own >"$root/root/float-1"
  mkdir "$root/etc/systemd/system/ebbline.service.d"
  printf '[Service]\nLoadCredential=float-1:/root/float-1\n' >"$root/etc/systemd/system/ebbline.service.d/credential.conf"
  sed -i 's|^  listen: 127.0.0.1:1883.*|&\n  users:\n    - {name: float-1, password_file: /run/credentials/ebbline.service/float-1}|' "$root/etc/ebbline/ebbline.yaml"
  within systemctl daemon-reload
  within systemctl restart ebbline
  started
  within mosquitto_pub -h 127.0.0.1 -q 1 -t cellar/float-1 -m '{"g":1.0115,"t":19.5}' 2>/dev/null && fail 'a stranger may publish'
  within mosquitto_pub -h 127.0.0.1 -u float-1 -P a-word-of-its-own -q 1 -t cellar/float-1 -m '{"g":1.0115,"t":19.5}' || fail 'the password is not taken'
  saw 'a stranger is refused, the password of the credential taken'
  rm -r "$root/etc/systemd/system/ebbline.service.d"
  sed -i '/^  users:/d; /password_file: .run.credentials/d' "$root/etc/ebbline/ebbline.yaml"
  within systemctl daemon-reload
fi

say 'Backup while it runs, restore into an empty folder'
within setpriv --reuid=ebbline --regid=ebbline --clear-groups ebbline backup --config /etc/ebbline/ebbline.yaml /var/lib/ebbline/backup.db 2>&1 | sed 's/^/   | /'
kept=$(readings)
if [ -n "$booted" ]; then within systemctl stop ebbline; else stopped; fi
within sh -c 'mv /var/lib/ebbline/backup.db /tmp && mv /var/lib/ebbline /var/lib/before && install -d -o ebbline -g ebbline -m 0700 /var/lib/ebbline'
within setpriv --reuid=ebbline --regid=ebbline --clear-groups ebbline restore --config /etc/ebbline/ebbline.yaml /tmp/backup.db 2>&1 | sed 's/^/   | /'
within rm -r /var/lib/before /tmp/backup.db
[ -z "$booted" ] || within systemctl start ebbline
started
[ "$(readings)" = "$kept" ] || fail "$(readings) readings of $kept after restoring"
saw "restored: $kept readings"

say 'Remove: configuration and record stay'
kept=$(readings)
stopped
within dpkg -r ebbline 2>&1 | sed 's/^/   | /'
within curl -s http://127.0.0.1:8080/healthz >/dev/null && fail 'it still runs'
[ -s "$root/var/lib/ebbline/ebbline.db" ] && [ -s "$root/etc/ebbline/ebbline.yaml" ] || fail 'something is gone'
[ ! -e "$root/usr/bin/ebbline" ] || fail 'the program is still there'
install_deb /root/new.deb >/dev/null 2>&1
started
[ "$(readings)" = "$kept" ] || fail "$(readings) readings of $kept after installing it again"
saw "installed again: $kept readings"

say 'Purge: nothing stays'
stopped
within dpkg --purge ebbline 2>&1 | sed 's/^/   | /'
within getent passwd ebbline >/dev/null && fail 'the user is still there'
within getent group ebbline >/dev/null && fail 'the group is still there'
rm -f "$root/var/log/by-hand"
left=$(find "$root" -xdev ! -path "$root/proc/*" ! -path "$root/var/cache/*" -name '*ebbline*' -printf '%P\n' | comm -13 "$work/before" - | grep -v '^root/' || true)
[ -z "$left" ] || fail "left behind: $left"
saw 'no file, no user, no group'
printf '\nAll as it should be.\n'
