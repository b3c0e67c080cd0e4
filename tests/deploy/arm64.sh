#!/usr/bin/env bash
# Rowwater on a Debian for 64-bit ARM, emulated, and its figures beside those of the same Debian on this machine's own
# processor.  By hand and before a release: it takes an hour or two, as root, 2 GB in FOLDER.
#
#   nice -n 15 bash tests/deploy/arm64.sh SUITE FOLDER [STEP...]
#
# SUITE: bookworm (Debian 12, Python 3.11) or trixie (Debian 13, Python 3.13).  FOLDER keeps both systems, so that a
# step can be done again; remove it afterwards.  STEPs, all in this order if none is named:
#   systems   both systems, by debootstrap from the mirror that this machine's apt has
#   install   deploy/install.sh with a wheel, from wheels only, in the ARM system
#   beside    the same in the other system, with the very same versions of all libraries
#   outputs   selfcheck, a season, three days, why, check and more in both, compared byte for byte
#   morning   examples/first-morning.sh in the ARM system, its morning compared with this machine's
#   tests     the tests of core, store, service, guard, relays and the soak in the ARM system (FOLDERS: some of them)
#   own-tests all tests in the system for this machine's own processor
# Emulated is the processor (qemu); the kernel is this machine's, so nothing is learned about pins.
# shellcheck disable=SC2016,SC2317  # what stands in '...' runs inside the system; steps are called by their names
set -euo pipefail

suite="${1:?SUITE, such as bookworm or trixie}"
folder="$(mkdir -p "${2:?FOLDER for the systems}" && cd "$2" && pwd)"
shift 2
steps=("$@")
[ ${#steps[@]} -gt 0 ] || steps=(systems install beside outputs morning tests)
project="$(cd "$(dirname "$0")/../.." && pwd)"
own="$(dpkg --print-architecture)"
[ "$own" != arm64 ] || echo "This machine is ARM itself: nothing is emulated, and there is nothing to compare with."

# Real processes whose limits are the world's seconds: an emulated service takes longer to start than these tests wait,
# an emulated guard longer than the second in which it must close.  They run in own-tests.  In the services' place the
# soak's short life runs here, by a clock that stands still while a process works.
real_time=(tests/guard/test_guard_process.py
  tests/service/test_{after_a_valve_test,earlier_guards,late_effects,lost_ways,other_shapes,process}.py
  tests/service/test_{real_kills,rows,shortages,spoilt_disks,unreadable}.py)
# The same of single tests, and two that know a process by its name or number: here the name is the emulator's, and
# number 1 the tests themselves.
single=(
  tests/service/test_properties.py::test_a_season_is_fast_and_its_memory_flat
  tests/store/test_store_facts.py::test_a_season_of_weather_is_quick
  tests/relays/test_command.py::test_a_{program_that_hangs_is_killed_with_its_children,program_deaf_to_the_polite_signal}
  tests/relays/test_command.py::test_a_child_that_left_the_session_does_not_hold_us_up
  tests/relays/test_command.py::test_children_left_behind_are_killed
  tests/relays/test_valve_test.py::test_{a_killed_trial_is_closed_by_the_guard,ctrl_c_closes}
  tests/guard/test_watch.py::TestGuard::test_a_stranger_is_never_killed
  tests/relays/test_lock.py::test_who_holds_them_is_known_by_the_lock_and_not_by_old_words
)
needed=(pytest pytest-xdist hypothesis freezegun gpiozero paho-mqtt refet pedon filterpy)

root_of() { echo "$folder/$suite-$1"; } # ARCHITECTURE
both() { if [ "$own" = arm64 ]; then echo arm64; else echo "arm64 $own"; fi; }
say() { printf '\n== %s\n' "$*"; }
timed() { # WHAT COMMAND...
  local what=$1 begin=$SECONDS
  shift
  "$@"
  echo "-- $what: $((SECONDS - begin)) s"
}

# --- this machine's own settings: mirror, package index, certificates ---

mirror() {
  apt-get indextargets --format '$(REPO_URI)' 'Created-By: Packages' 'LABEL: Debian' | head -n 1
}

settings() { # what pip and apt of the systems need to know, as NAME=value
  local index name
  index="${PIP_INDEX_URL:-$(python3 -m pip config get global.index-url 2>/dev/null || true)}"
  [ -z "$index" ] || echo "PIP_INDEX_URL=$index"
  for name in http_proxy https_proxy no_proxy HTTP_PROXY HTTPS_PROXY NO_PROXY; do
    [ -z "${!name:-}" ] || echo "$name=${!name}"
  done
  echo PIP_CERT=/etc/ssl/certs/ca-certificates.crt
}

# --- the systems ---

running=
trap '[ -z "$running" ] || kill -9 "$running"; exit 130' INT TERM # unshare itself does not heed them

emulation() {
  [ "$own" = arm64 ] && return
  local formats=/proc/sys/fs/binfmt_misc
  if [ ! -e "$formats/qemu-aarch64" ]; then
    [ -e "$formats/register" ] || mount -t binfmt_misc binfmt_misc "$formats"
    update-binfmts --enable qemu-aarch64
  fi
  grep -q '^flags:.*F' "$formats/qemu-aarch64" # else the emulator is looked for inside the system
}

# In namespaces of its own: whatever is left running or mounted goes when the command ends.
inside() { # ARCHITECTURE COMMAND...
  local root
  root="$(root_of "$1")"
  shift
  local -a known
  mapfile -t known < <(settings)
  # shellcheck disable=SC2016
  unshare --mount --pid --fork --kill-child bash -c '
    mount -t proc proc "$0/proc"
    mount --bind "$0/proc/sys" "$0/proc/sys" && mount -o remount,bind,ro "$0/proc/sys" # all share one kernel
    mount -t devpts -o newinstance,ptmxmode=0666 devpts "$0/dev/pts"
    mkdir -p "$0/dev/shm" && mount -t tmpfs tmpfs "$0/dev/shm"
    exec chroot "$0" env -i "$@"' "$root" \
    PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LANG=C.UTF-8 COLUMNS=80 \
    DEBIAN_FRONTEND=noninteractive SYSTEMD_OFFLINE=1 PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore \
    "${known[@]}" "$@" &
  running=$!
  wait "$running"
}

make_system() { # ARCHITECTURE
  local root
  root="$(root_of "$1")"
  [ ! -e "$root/made" ] || return 0
  rm -rf "$root"
  debootstrap --variant=minbase --arch="$1" --include=ca-certificates,python3,python3-venv,procps,systemd \
    "$suite" "$root" "$(mirror)" >"$root.log"
  cp /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/ca-certificates.crt"
  printf '#!/bin/sh\nexit 101\n' >"$root/usr/sbin/policy-rc.d" # no service of the system is started
  chmod 0755 "$root/usr/sbin/policy-rc.d"
  cat >"$root/usr/local/bin/systemctl" <<'PROGRAM'
#!/bin/sh
# nothing is booted here: what would be started is enabled alone
for word; do
  shift
  case "$word" in start | restart | stop) exit 0 ;; --now) ;; *) set -- "$@" "$word" ;; esac
done
exec /usr/bin/systemctl "$@"
PROGRAM
  chmod 0755 "$root/usr/local/bin/systemctl"
  : >"$root/dev/gpiochip0" # stands for pins: install.sh then lays their library too
  touch "$root/made"
}

lay_source() { # ARCHITECTURE
  local source
  source="$(root_of "$1")/srv/rowwater"
  mkdir -p "$source"
  (cd "$project" && git ls-files -z | tar --create --null --files-from=- --ignore-failed-read) |
    tar --extract --directory "$source"
}

versions() { # ARCHITECTURE
  inside "$1" sh -c '
    echo "$(. /etc/os-release && echo "$PRETTY_NAME"), $(uname -m), $(python3 -V)"
    python3 -c "import sqlite3, platform; print(\"SQLite\", sqlite3.sqlite_version + \",\", *platform.libc_ver())"'
}

systems() {
  local architecture
  emulation
  for architecture in $(both); do
    timed "$suite for $architecture" make_system "$architecture"
    versions "$architecture"
  done
  [ "$own" = arm64 ] || qemu-aarch64-static --version | head -n 1
}

# --- install ---

build_wheel() {
  rm -rf "$folder/wheel" && mkdir "$folder/wheel"
  python3 -m pip wheel --quiet --no-deps --wheel-dir "$folder/wheel" "$project"
}

lay_program() { # ARCHITECTURE VERSIONS-FILE
  local root
  root="$(root_of "$1")"
  lay_source "$1"
  rm -rf "$root/srv/wheel" "$root/opt/rowwater" && cp -r "$folder/wheel" "$root/srv/wheel"
  cp "$2" "$root/srv/versions.txt"
  inside "$1" PIP_ONLY_BINARY=:all: PIP_CONSTRAINT=/srv/versions.txt \
    sh -c 'bash /srv/rowwater/deploy/install.sh /srv/wheel/*.whl'
}

frozen() { inside "$1" /opt/rowwater/current/bin/python -m pip freeze --exclude rowwater; }

install() {
  build_wheel
  : >"$folder/any.txt"
  timed "deploy/install.sh, arm64" lay_program arm64 "$folder/any.txt"
}

beside() {
  frozen arm64 >"$folder/$suite.versions"
  grep -iE '^(highspy|lgpio|numpy|pandas|pyet|scipy|sqlalchemy)=' "$folder/$suite.versions" | paste -sd ' '
  [ "$own" = arm64 ] ||
    timed "deploy/install.sh with the same versions, $own" lay_program "$own" "$folder/$suite.versions"
}

# --- outputs ---

write_outputs() { # ARCHITECTURE
  inside "$1" bash -c '
    set -uo pipefail
    cd /srv/rowwater
    out=/srv/outputs data=/srv/data
    rm -rf $out $data && mkdir $out
    garden=(--config examples/creekside/garden.yaml --data $data)
    cat >/srv/patient.py <<"PROGRAM"
# The solver has a limit of time beside that of work, and a slow machine meets it first: here only work counts.
import time
from scheduler.core.week import plan, solver
plan.process_time = lambda: time.process_time() / 1000
solver.CLOCK_PER_SECOND *= 1000
from scheduler.cli.main import main
main()
PROGRAM
    keep() { # NAME COMMAND...: what it says on both, and its exit status
      local name=$1 status=0
      shift
      /opt/rowwater/current/bin/python -P /srv/patient.py "$@" >"$out/$name" 2>"$out/$name.err" || status=$?
      echo "exit status $status" >>"$out/$name.err"
    }
    keep selfcheck.txt selfcheck --all
    keep selfcheck.json selfcheck --json
    keep season.json season "${garden[@]}" --weather examples/creekside/weather.csv --json
    keep season-perfect.json season "${garden[@]}" --weather examples/creekside/weather.csv \
      --from 2015-06-01 --to 2015-06-30 --foresight perfect --json
    keep check.json check "${garden[@]}" --offline --json
    for day in 2015-06-26 2015-06-27 2015-06-28; do
      keep day-$day.json day "${garden[@]}" --date $day --json
    done
    keep week.json week "${garden[@]}" --date 2015-06-28 --json
    for zone in beans lettuce; do keep why-$zone.json why $zone "${garden[@]}" --date 2015-06-28 --json; done
    keep why-beans.txt why beans "${garden[@]}" --date 2015-06-28
    keep weather.json weather "${garden[@]}" --json
    cp $data/today.json $data/schedule.json $data/schedule.ics $out'
  # what names the machine is no figure
  sed -i 's/, Linux [^ ]*//; s/aarch64\|x86_64/MACHINE/' "$(root_of "$1")/srv/outputs"/selfcheck.*
}

compare() { # WHAT FILE-OR-FOLDER (in both systems)
  [ "$own" != arm64 ] || return 0
  local said="$folder/$suite.$1.diff"
  if diff -r -u "$(root_of "$own")/$2" "$(root_of arm64)/$2" >"$said"; then
    echo "$1: byte for byte as on $own ($(find "$(root_of arm64)/$2" -type f | wc -l) files)"
  else
    echo "$1: differs from $own in $(grep -c '^[-+][^-+]' "$said") lines, all of them in $said; the first:"
    grep -v '^ ' "$said" | head -n 20
    differs=1
  fi
}

outputs() {
  local architecture
  for architecture in $(both); do timed "outputs, $architecture" write_outputs "$architecture"; done
  compare outputs srv/outputs
}

# --- the first morning ---

first_morning() { # ARCHITECTURE
  inside "$1" PIP_ONLY_BINARY=:all: PIP_CONSTRAINT=/srv/versions.txt bash -c '
    cd /srv/rowwater && bash examples/first-morning.sh >/srv/morning.txt'
}

morning() {
  local architecture
  for architecture in $(both); do
    cp "$folder/$suite.versions" "$(root_of "$architecture")/srv/versions.txt"
    timed "examples/first-morning.sh, $architecture" first_morning "$architecture"
  done
  compare morning srv/morning.txt
}

# --- tests ---

run_tests() { # ARCHITECTURE PYTEST-ARGUMENTS...
  local architecture=$1
  shift
  lay_source "$architecture"
  inside "$architecture" sh -c 'command -v mosquitto >/dev/null && command -v gcc >/dev/null ||
    { apt-get update -qq && apt-get install -y -qq --no-install-recommends mosquitto gcc libc6-dev >/dev/null; }'
  inside "$architecture" bash -c 'cd /srv/rowwater && . examples/python.sh && ready_environment ".[gpio,mqtt]" -e &&
    "$VENV/bin/pip" install --quiet "$@"' - "${needed[@]}"
  inside "$architecture" bash -c 'cd /srv/rowwater && exec .venv/bin/python -m pytest -n 2 "$@"' - "$@"
}

tests() {
  local -a without=()
  local name
  for name in "${real_time[@]}"; do without+=(--ignore "$name"); done
  for name in "${single[@]}"; do without+=(--deselect "$name"); done
  timed "tests, arm64" run_tests arm64 "${without[@]}" "${folders[@]}"
}

own-tests() {
  lay_source "$own"
  timed "all tests, $own" inside "$own" bash -c 'cd /srv/rowwater && bash tests/run.sh'
}

main() { # the shell reads a script as it goes: what it runs here it has read whole
  local tool step
  [ "$(id -u)" = 0 ] || { echo "run it as root: it makes whole systems" >&2; exit 1; }
  for tool in debootstrap qemu-user-static binfmt-support; do
    dpkg -s "$tool" >/dev/null 2>&1 || apt-get install -y -qq "$tool" >/dev/null
  done
  for step in "${steps[@]}"; do
    say "$suite: $step"
    "$step"
  done
  exit "$differs"
}

folders=(tests/core tests/store tests/service tests/guard tests/relays tests/soak)
[ -z "${FOLDERS:-}" ] || read -r -a folders <<<"$FOLDERS"
differs=0
main
