#!/usr/bin/env bash
# Backup first, then the new version beside the old one. It has to compute as published before the service is stopped
# for it, and the old one comes back if it does not start.
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

"$here/backup.sh" ${destdir:+"$destdir/var/backups/rowwater"}
version="$(lay_version "$package")"
need_selfcheck "$version"

if [ -n "$destdir" ]; then
  use_version "$version"
  place_unit "$here"
  say "Upgraded. The old version is kept in $old"
  exit 0
fi

ran=yes
systemctl is-active --quiet rowwater.service || ran=
kept_unit="$(mktemp)"
cp -p "$units/rowwater.service" "$kept_unit"
systemctl stop rowwater.service # closes every valve
use_version "$version"
place_unit "$here"
if [ -z "$ran" ] || systemctl start rowwater.service; then
  drop_versions_but "$version" "$old"
  rm -f "$kept_unit"
  say "Upgraded. The old version is kept in $old"
  [ -n "$ran" ] || say "The service did not run before, and was not started."
  exit 0
fi
printf '%s\n' "The new version does not start (journalctl -u rowwater): back to the old one." >&2
systemctl stop rowwater.service || true
use_version "$old"
install -m 0644 "$kept_unit" "$units/rowwater.service"
rm -f "$kept_unit"
systemctl daemon-reload
rm -rf "$version"
systemctl start rowwater.service ||
  printf '%s\n' "The old one does not start either. If it says that the database is newer than it knows: stop" \
    "the service, put back rowwater.db from the newest folder of /var/backups/rowwater, start it." >&2
exit 1
