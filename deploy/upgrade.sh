#!/usr/bin/env bash
# Backup first, then the new version beside the old one. It has to compute as published before the service is stopped
# for it, and the old one comes back if it does not start, does not stay up, or if you or your connection interrupt it.
#   sudo deploy/upgrade.sh [PACKAGE]     PACKAGE: a wheel or the project's folder (default: the folder above)
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
# shellcheck source=deploy/common.sh
. "$here/common.sh"
package="${1:-$(dirname "$here")}"

need_root
need_machine
old="$(readlink -f "$versions/current" 2>/dev/null || true)"
[ -x "$old/bin/rowwater" ] || fail "nothing is installed: deploy/install.sh"

"$here/backup.sh" ${destdir:+"$backups"}
version="$(lay_version "$package")"
need_selfcheck "$version"
trap 'rm -rf "$version"' EXIT
place_environment

if ! has_systemd; then
  use_version "$version"
  place_unit "$here"
  leave_earlier_environment
  trap - EXIT
  say "Upgraded. The old version is kept in $old"
  exit 0
fi

ran="$(state_of_service)"
kept="$(mktemp -d)" # units, and the records as they were while nothing ran
for name in "${own_units[@]}"; do [ ! -e "$units/$name" ] || cp -p "$units/$name" "$kept/"; done
why="interrupted"

# Whatever ends this script from here on: the old version, its units, records that it can read, and it runs again.
go_back() {
  set +e
  trap '' HUP INT TERM
  printf '%s\n' "$why: back to the old version." >&2
  system stop rowwater.service
  use_version "$old"
  for name in "${own_units[@]}"; do [ ! -e "$kept/$name" ] || install -m 0644 "$kept/$name" "$units/$name"; done
  system daemon-reload
  records_back
  [ "$ran" != running ] || system start rowwater.service ||
    printf '%s\n' "The old one does not start either: journalctl -u rowwater" >&2
  rm -rf "$version" "$kept"
  exit 1
}

# The old version opens no records of a newer revision: those from before come back, and what the new one wrote is
# kept aside.
records_back() {
  [ -e "$kept/rowwater.db" ] || return
  [ "$(revision_of "$data/rowwater.db")" != "$(revision_of "$kept/rowwater.db")" ] || return
  local aside
  aside="$backups/replaced-$(date -u +%Y%m%dT%H%M%SZ)"
  install -d -m 0700 "$aside"
  cp -a "$data"/rowwater.db* "$aside/"
  cp --attributes-only -p "$data/rowwater.db" "$kept/rowwater.db"
  cp -p "$kept/rowwater.db" "$data/rowwater.db.part"
  rm -f "$data"/rowwater.db-{wal,shm,journal} "$data/rowwater.db.checked"
  mv -T "$data/rowwater.db.part" "$data/rowwater.db"
  printf '%s\n' "The records are those from before the upgrade; what the new version wrote is kept in $aside." >&2
}

trap go_back EXIT
trap 'exit 129' HUP
trap 'exit 130' INT
trap 'exit 143' TERM
system stop rowwater.service # closes every valve
[ ! -e "$data/rowwater.db" ] || copy_database "$data/rowwater.db" "$kept/rowwater.db"
use_version "$version"
place_unit "$here"
if [ "$ran" = running ]; then
  why="The new version does not start (journalctl -u rowwater)"
  system start rowwater.service
  why="The new version does not stay up (journalctl -u rowwater)"
  stays_up
fi
trap - EXIT HUP INT TERM
system enable --now rowwater-backup.timer || say "No daily backup: systemctl enable --now rowwater-backup.timer"
leave_earlier_environment
system try-restart rowwater-page.service || say "The page for phones did not come back: journalctl -u rowwater-page"
drop_versions_but "$version" "$old"
rm -rf "$kept"
say "Upgraded. The old version is kept in $old"
[ "$ran" = running ] || say "The service did not run before, and was not started."
