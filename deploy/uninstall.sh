#!/usr/bin/env bash
# Takes the service away. Records and settings stay:  sudo deploy/uninstall.sh
# With --purge they go too, once you have said so:    sudo deploy/uninstall.sh --purge
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
# shellcheck source=deploy/common.sh
. "$here/common.sh"
purge=
case "${1:-}" in
  "") ;;
  --purge) purge=yes ;;
  *) fail "usage: uninstall.sh [--purge]" ;;
esac
need_root

if [ -n "$purge" ]; then
  [ -t 0 ] || fail "--purge asks on a terminal, and there is none: nothing was done"
  read -r -p "Remove the records in $data and the settings in $config for good? Type yes: " answer
  [ "$answer" = yes ] || fail "nothing was done"
fi

if [ -z "$destdir" ]; then
  systemctl disable --now rowwater-backup.timer 2>/dev/null || true
  systemctl disable --now rowwater-page.socket rowwater-page.service 2>/dev/null || true
  systemctl disable --now rowwater.service 2>/dev/null || true # closes every valve
  if [ -x "$versions/current/bin/python" ] && [ -e "$data/valves.json" ]; then
    (cd / && runuser -u rowwater -- "$versions/current/bin/python" -P -m scheduler.service.guard --close-all "$data/valves.json") ||
      printf '%s\n' "NOT every valve is confirmed closed: use the hand valve." >&2
  fi
fi
for name in "${own_units[@]}"; do rm -f "$units/$name"; done
rm -rf "$units/rowwater-page.socket.d"
rm -f "$commands/rowwater"
system daemon-reload
rm -rf "$versions"
if [ -n "$purge" ]; then
  rm -rf "$data" "$config" "$environment"
  [ -n "$destdir" ] || userdel rowwater-page 2>/dev/null || true
  [ -n "$destdir" ] || userdel rowwater 2>/dev/null || true
  say "All of it is gone, the records too; backups in /var/backups/rowwater stay."
else
  say "The program is gone. Records stay in $data, settings in $config, and so does the user rowwater."
fi
