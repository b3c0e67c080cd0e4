# shellcheck shell=bash disable=SC2034
# Sourced by the other scripts: where things are, and how a version of the program is laid beside the others.
#
#   /opt/rowwater/20260401T063000Z/   one version, a virtual environment; /opt/rowwater/current names the one in use
#   /opt/rowwater/scripts/            these scripts: the timer makes its daily backup by them
#   /etc/rowwater/                    garden.yaml, crops.yaml: the group rowwater may edit them
#   /etc/default/rowwater             secrets, for root alone; the group could replace it in a folder of its own
#   /var/lib/rowwater/                records
#   /var/backups/rowwater/            a copy of each day
#
# With DESTDIR=FOLDER everything goes below FOLDER, and no user, group or service of the system is touched; a
# FOLDER/usr/bin/systemctl speaks for the services in it.

destdir="${DESTDIR:-}"
versions="$destdir/opt/rowwater"
config="$destdir/etc/rowwater"
data="$destdir/var/lib/rowwater"
environment="$destdir/etc/default/rowwater"
backups="$destdir/var/backups/rowwater"
units="$destdir/etc/systemd/system"
commands="$destdir/usr/local/bin"

# A terminal that has gone away takes no words, and ends nothing.
say() { printf '%s\n' "$*" 2>/dev/null || true; }
fail() {
  printf '%s\n' "$*" >&2 || true
  exit 1
}

need_root() {
  [ -n "$destdir" ] || [ "$(id -u)" = 0 ] || fail "run it with sudo"
}

has_systemd() { [ -z "$destdir" ] || [ -x "$destdir/usr/bin/systemctl" ]; }

system() { # WORDS OF systemctl
  if [ -z "$destdir" ]; then
    systemctl "$@"
  elif has_systemd; then
    "$destdir/usr/bin/systemctl" "$@"
  fi
}

# running, also where it is just starting anew after a crash: it is meant to run; or stopped.
state_of_service() {
  local state
  state="$(system show --property=ActiveState --value rowwater.service 2>/dev/null || true)"
  case "$state" in active | activating | reloading | deactivating) echo running ;; *) echo stopped ;; esac
}

# Whether the service stays up: one that dies soon after it was ready is started again by systemd, and counted.
stays_up() {
  local second before now
  before="$(system show --property=NRestarts --value rowwater.service)"
  for ((second = 0; second < ${ROWWATER_WATCH_S:-15}; second++)); do
    system is-active --quiet rowwater.service || return 1
    now="$(system show --property=NRestarts --value rowwater.service)"
    [ "$now" = "$before" ] || return 1
    sleep 1
  done
}

# Folders under FOLDER named by a moment, as backups are, and nothing else.
stamped() { # FOLDER, ENDING, TESTS OF find
  local folder="$1" ending="$2"
  shift 2
  find "$folder" -maxdepth 1 -type d -regextype posix-extended -regex ".*/[0-9]{8}T[0-9]{6}Z$ending" "$@"
}

# By SQLite's backup call, looked through; one file, whole by itself.
copy_database() { # FROM, TO
  python3 - "$1" "$2" <<'PY'
import os, sqlite3, sys
from pathlib import Path

def uri(mode):
    return f"{Path(sys.argv[1]).absolute().as_uri()}?mode={mode}"

try:
    # with a write-ahead log beside it SQLite must write; a copy alone may lie where nobody can
    beside = os.path.exists(sys.argv[1] + "-wal") or os.access(sys.argv[1], os.W_OK)
    source = sqlite3.connect(uri("rw") if beside else uri("ro&immutable=1"), uri=True, timeout=30)
    target = sqlite3.connect(sys.argv[2])
    source.backup(target)
    target.execute("PRAGMA journal_mode = DELETE")
    problem = target.execute("PRAGMA integrity_check").fetchone()[0]
except sqlite3.Error as error:
    problem = str(error)
if problem != "ok":
    sys.exit(f"the copy is not sound: {problem}")
PY
}

# Once it stands in the place of the records, the program tells that it is a copy, and asks before it waters.
mark_as_copy() { # FILE
  python3 - "$1" <<'PY'
import sqlite3, sys
from datetime import datetime, timezone

now = datetime.now(timezone.utc).isoformat()
with sqlite3.connect(sys.argv[1]) as copy:
    if copy.execute("SELECT 1 FROM sqlite_master WHERE name = 'store_info'").fetchone():  # else none of ours
        copy.execute("INSERT OR IGNORE INTO store_info VALUES (?, ?)", ("copied " + now, now))
copy.close()
PY
}

ask_database() { # FILE, QUERY
  python3 - "$1" "$2" <<'PY'
import sqlite3, sys
from pathlib import Path

try:
    found = sqlite3.connect(f"{Path(sys.argv[1]).absolute().as_uri()}?mode=ro", uri=True, timeout=30)
    print(found.execute(sys.argv[2]).fetchone()[0] or "")
except (sqlite3.Error, TypeError):
    print("")
PY
}

revision_of() { ask_database "$1" "SELECT version_num FROM alembic_version"; } # DATABASE

newest_record() { # DATABASE
  ask_database "$1" "SELECT max(at) FROM (SELECT max(recorded_at) AS at FROM applied UNION ALL
    SELECT max(recorded_at) FROM notes UNION ALL SELECT max(recorded_at) FROM openings UNION ALL
    SELECT max(at) FROM heartbeats UNION ALL SELECT max(recorded_at) FROM closings)"
}

# That the installed version knows; nothing where none is installed.
newest_revision() {
  [ ! -x "$versions/current/bin/python" ] || (cd / && "$versions/current/bin/python" -P -c \
    'from scheduler.store.opening import HEAD; print(HEAD)' 2>/dev/null) || true
}

# Whole paths; what neither the service nor the page may read is no file of theirs.
files_named_in() { # GARDEN
  [ -x "$versions/current/bin/python" ] || return 0
  local asked=("$versions/current/bin/python" -P -m scheduler.garden.named_files "$1") file named
  if [ -z "$destdir" ] && [ "$(id -u)" = 0 ] && id rowwater >/dev/null 2>&1; then
    asked=(timeout 60 runuser -u rowwater -- "${asked[@]}")
  fi
  if ! named="$(cd / && "${asked[@]}" 2>/dev/null)"; then
    printf '%s\n' "The files that garden.yaml names could not be asked for: they are not in this backup." >&2
    return 0
  fi
  while read -r file; do
    case "$file" in
      "") continue ;;
      /usr/local/*) ;; # a program of the grower's that turns a valve
      /dev/* | /proc/* | /sys/* | /usr/* | /bin/* | /lib* | /etc/passwd | /etc/group) continue ;;
    esac
    if [ -z "$destdir" ] && [ "$(id -u)" = 0 ] && id rowwater >/dev/null 2>&1; then
      runuser -u rowwater -- test -r "$file" || runuser -u rowwater-page -- test -r "$file" 2>/dev/null || continue
    fi
    printf '%s\n' "$file"
  done <<<"$named"
}

# Nothing where no page: stands in it, or it cannot be read.
page_address() { # GARDEN
  local asked=("$versions/current/bin/python" -P -m scheduler.garden.page_address "$1")
  if [ -z "$destdir" ] && [ "$(id -u)" = 0 ] && id rowwater >/dev/null 2>&1; then
    asked=(timeout 60 runuser -u rowwater -- "${asked[@]}")
  fi
  (cd / && "${asked[@]}") | grep -Ex '[][0-9a-fA-F.:]+:[0-9]+' || true
}

place_of() { # NAME OF A SETTING
  if [ "$1" = environment ]; then printf '%s\n' "$environment"; else printf '%s\n' "$config/$1"; fi
}

from_debian() { # PACKAGE
  apt-get install -y "$1" || { apt-get update && apt-get install -y "$1"; }
}

need_machine() {
  case "$(uname -m)" in aarch64 | x86_64) ;; *) fail "a 64-bit system is needed; this one is $(uname -m)" ;; esac
  [ -n "$destdir" ] || command -v systemctl >/dev/null || fail "this needs systemd"
  command -v python3 >/dev/null || fail "Python 3.11 to 3.13 is needed: apt-get install python3 python3-venv"
  python3 -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' ||
    fail "Python 3.11 to 3.13 is needed; python3 is $(python3 -V)"
  if ! python3 -c 'import venv, ensurepip' 2>/dev/null; then
    [ -z "$destdir" ] || fail "python3-venv is needed"
    from_debian python3-venv
  fi
}

has_pins() { compgen -G '/dev/gpiochip*' >/dev/null; }

# A pin library: the one that came with the extra, or the system's own where there is none for this Python (3.13).
# Raspberry Pi OS has python3-lgpio; plain Debian 13 has not: there pins want Debian 12, or a relay that is reached
# otherwise (command, http, mqtt). Valves on pins need it, others not.
add_pin_library() { # VERSION
  "$1/bin/python" -c 'import lgpio' 2>/dev/null && return
  [ -n "$destdir" ] || dpkg -s python3-lgpio >/dev/null 2>&1 || from_debian python3-lgpio || true
  local site file
  site="$("$1/bin/python" -c 'import sysconfig; print(sysconfig.get_path("platlib"))')"
  for file in /usr/lib/python3/dist-packages/lgpio.py /usr/lib/python3/dist-packages/_lgpio*.so; do
    [ ! -e "$file" ] || ln -sf "$file" "$site/"
  done
  (cd / && "$1/bin/python" -P -c 'import os, tempfile; os.environ["LG_WD"] = tempfile.mkdtemp(); import lgpio') ||
    printf '%s\n' "No pin library could be installed: valves on pins will not work, others will. Raspberry Pi OS has" \
      "python3-lgpio, plain Debian 13 has not: use that system, Debian 12, or a relay by command, http or mqtt." >&2
}

# What a package names as tried: releases with their hashes. Nothing for a version from before there was such a list.
locked_of() { # PACKAGE
  python3 - "$1" <<'PY'
import sys, zipfile
from pathlib import Path

package = Path(sys.argv[1])
try:
    if package.is_dir():
        print((package / "config" / "locked.txt").read_text())
    else:
        print(zipfile.ZipFile(package).read("scheduler/config/locked.txt").decode())
except (OSError, KeyError, zipfile.BadZipFile):
    pass
PY
}

# Nothing but what the package names, or else whatever its requirements allow.
fill_version() { # VERSION, PACKAGE, EXTRAS
  local pip=("$1/bin/python" -m pip install --quiet --disable-pip-version-check) lock="$1/locked.txt"
  locked_of "$2" >"$lock"
  if [ -s "$lock" ]; then
    "${pip[@]}" --require-hashes --only-binary :all: -r "$lock" &&
      "${pip[@]}" --no-deps --no-build-isolation "${2}[$3]"
  else
    rm "$lock"
    "${pip[@]}" "${2}[$3]"
  fi
}

# Lays a new version beside the others, and prints its folder; nothing that runs is touched.
lay_version() { # PACKAGE
  local package version extras
  [ -e "$1" ] || fail "no such wheel or folder: $1"
  package="$(readlink -f "$1")" # a bare name would be looked for in the package index, a stranger's under that name
  version="$versions/$(date -u +%Y%m%dT%H%M%SZ)"
  extras=mqtt
  ! has_pins || extras=mqtt,gpio
  mkdir -p "$versions"
  if ! {
    python3 -m venv "$version" &&
      fill_version "$version" "$package" "$extras" &&
      { ! has_pins || add_pin_library "$version"; } &&
      "$version/bin/rowwater" --version
  } >&2; then
    rm -rf "$version"
    fail "it could not be installed; what was there before is as it was"
  fi
  printf '%s\n' "$version"
}

# Published examples done anew by a version that was just laid: one that computes otherwise on this machine is taken
# away again, before anything that runs is touched. (2: a version from before there was such a check.)
need_selfcheck() { # VERSION
  local said status=0
  said="$(timeout 300 "$1/bin/rowwater" selfcheck 2>&1)" || status=$?
  if [ "$status" = 2 ]; then
    say "This version has no selfcheck."
    return
  fi
  [ "$status" != 0 ] || {
    say "selfcheck: ${said##*$'\n'}"
    return
  }
  printf '%s\n' "$said" >&2
  rm -rf "$1"
  fail "the selfcheck of the new version fails: it was taken away, and what was there before is as it was"
}

# In one rename: there is never a moment without a version in use.
use_version() { # VERSION
  ln -sfn "$(basename "$1")" "$versions/current.new"
  mv -T "$versions/current.new" "$versions/current"
}

# All but these two, by whatever path they are named.
drop_versions_but() { # VERSION VERSION
  local each
  for each in "$versions"/*Z; do
    [ ! -d "$each" ] || [ "$each" -ef "$1" ] || [ "$each" -ef "$2" ] || rm -rf "$each"
  done
}

# Made before anybody else could: a file of root's alone, which no group may replace. What an earlier installation had
# in the group's folder is copied, and taken away by `leave_earlier_environment` once the new unit has taken over.
place_environment() {
  mkdir -p "$(dirname "$environment")"
  if [ -f "$config/environment" ] && [ ! -L "$config/environment" ] && [ ! -s "$environment" ]; then
    install -m 0600 "$config/environment" "$environment"
  fi
  [ -e "$environment" ] || (umask 077 && : >"$environment")
  chmod 0600 "$environment"
  [ -n "$destdir" ] || chown root:root "$environment"
}

leave_earlier_environment() {
  [ -f "$config/environment" ] && [ ! -L "$config/environment" ] || return 0
  if cmp -s "$config/environment" "$environment"; then
    rm -f "$config/environment"
    say "Secrets now stand in $environment, no longer in $config/environment."
  else
    say "$config/environment counts no longer: its lines belong into $environment."
  fi
}

own_units=(rowwater.service rowwater-backup.service rowwater-backup.timer rowwater-page.socket rowwater-page.service)
own_scripts=(backup.sh restore.sh page.sh common.sh)

place_unit() { # FOLDER OF THE SCRIPTS
  local name
  mkdir -p "$units" "$commands" "$versions/scripts"
  # page.sh where it was laid has no units beside it: they stand already
  for name in "${own_units[@]}"; do [ ! -e "$1/$name" ] || install -m 0644 "$1/$name" "$units/$name"; done
  for name in "${own_scripts[@]}"; do
    [ "$1/$name" -ef "$versions/scripts/$name" ] || install -m 0755 "$1/$name" "$versions/scripts/$name"
  done
  ln -sfn /opt/rowwater/current/bin/rowwater "$commands/rowwater"
  system daemon-reload
}
