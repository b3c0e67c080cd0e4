#!/usr/bin/env bash
# A whole copy of records and settings, by SQLite's backup call: copying the file alone loses the newest rows.
# The service may go on meanwhile. A timer makes one each day (rowwater-backup.timer).
#   sudo deploy/backup.sh [FOLDER]     default: $ROWWATER_BACKUPS, else /var/backups/rowwater; the newest 14 are kept
# A card that fails takes its backups with it: let FOLDER be on another disk, or copy it away.
# deploy/restore.sh brings one back.
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
# shellcheck source=deploy/common.sh
. "$here/common.sh"
to="${1:-${ROWWATER_BACKUPS:-$backups}}"
data="${ROWWATER_DATA:-$data}"
garden="${ROWWATER_CONFIG:-$config/garden.yaml}"
keep=14
stamp="$(date -u +%Y%m%dT%H%M%SZ)"
umask 077 # what is in it may open a valve
mkdir -p "$to"
stamped "$to" '\.part' -mmin +60 | while read -r left; do rm -rf "$left"; done # by a backup that was cut off
part="$to/$stamp.part"
mkdir "$part"
trap 'rm -rf "$part"' EXIT

if [ -e "$data/rowwater.db" ]; then
  copy_database "$data/rowwater.db" "$part/rowwater.db"
  mark_as_copy "$part/rowwater.db"
fi
for file in "$garden" "$(dirname "$garden")/crops.yaml" "$data"/in-use.json "$data"/valves.json; do
  [ ! -e "$file" ] || cp -p "$file" "$part/"
done
[ ! -e "$environment" ] || cp -p "$environment" "$part/environment"
for folder in "$data"/in-use-*/; do # the version of garden.yaml in use; it may be replaced meanwhile
  [ ! -d "$folder" ] || cp -rp "$folder" "$part/" 2>/dev/null || true
done
# Keys and a station's files that garden.yaml names: with their owners, under their whole paths.
named="$(files_named_in "$garden")"
[ -z "$named" ] || printf '%s\n' "$named" | tar -cPf "$part/files.tar" --verbatim-files-from -T -
sync -f "$part"
mv -T "$part" "$to/$stamp"
trap - EXIT
stamped "$to" '' | sort | head -n "-$keep" | while read -r old; do rm -rf "$old"; done
echo "$to/$stamp"
