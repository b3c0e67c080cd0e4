# shellcheck shell=bash disable=SC2034
# Sourced by the other scripts: where things are, and how a version of the program is laid beside the others.
#
#   /opt/rowwater/20260401T063000Z/   one version, a virtual environment; /opt/rowwater/current names the one in use
#   /etc/rowwater/                    garden.yaml, crops.yaml, environment (secrets, for root alone)
#   /var/lib/rowwater/                records
#
# With DESTDIR=FOLDER everything goes below FOLDER, and no user, group or service of the system is touched.

destdir="${DESTDIR:-}"
versions="$destdir/opt/rowwater"
config="$destdir/etc/rowwater"
data="$destdir/var/lib/rowwater"
units="$destdir/etc/systemd/system"
commands="$destdir/usr/local/bin"

say() { printf '%s\n' "$*"; }
fail() {
  printf '%s\n' "$*" >&2
  exit 1
}

need_root() {
  [ -n "$destdir" ] || [ "$(id -u)" = 0 ] || fail "run it with sudo"
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

# A pin library: the one that came with the extra, or the system's own (Raspberry Pi OS has python3-lgpio) where
# there is none for this Python. Valves on pins need it, others not.
add_pin_library() { # VERSION
  "$1/bin/python" -c 'import lgpio' 2>/dev/null && return
  [ -n "$destdir" ] || dpkg -s python3-lgpio >/dev/null 2>&1 || from_debian python3-lgpio || true
  local site file
  site="$("$1/bin/python" -c 'import sysconfig; print(sysconfig.get_path("platlib"))')"
  for file in /usr/lib/python3/dist-packages/lgpio.py /usr/lib/python3/dist-packages/_lgpio*.so; do
    [ ! -e "$file" ] || ln -sf "$file" "$site/"
  done
  (cd / && "$1/bin/python" -P -c 'import os, tempfile; os.environ["LG_WD"] = tempfile.mkdtemp(); import lgpio') ||
    printf '%s\n' "No pin library could be installed: valves on pins will not work, others will." >&2
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
      "$version/bin/python" -m pip install --quiet --disable-pip-version-check "$package[$extras]" &&
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

# All but these two.
drop_versions_but() { # VERSION VERSION
  local each
  for each in "$versions"/*Z; do
    [ ! -d "$each" ] || [ "$each" = "$1" ] || [ "$each" = "$2" ] || rm -rf "$each"
  done
}

place_unit() { # FOLDER OF THE SCRIPTS
  mkdir -p "$units" "$commands"
  install -m 0644 "$1/rowwater.service" "$units/rowwater.service"
  ln -sfn /opt/rowwater/current/bin/rowwater "$commands/rowwater"
  [ -n "$destdir" ] || systemctl daemon-reload
}
