#!/usr/bin/env bash
# A whole copy of records and settings, by SQLite's backup call: copying the file alone loses the newest rows.
# The service may go on meanwhile.
#   sudo deploy/backup.sh [FOLDER]     default: /var/backups/rowwater; the newest 14 are kept
# A card that fails takes its backups with it: let FOLDER be on another disk, or copy it away.
# To go back: stop the service, copy rowwater.db over the one in /var/lib/rowwater, remove rowwater.db-wal and
# rowwater.db-shm beside it, chown rowwater:rowwater, start the service.
set -euo pipefail
to="${1:-/var/backups/rowwater}"
data="${ROWWATER_DATA:-${DESTDIR:-}/var/lib/rowwater}"
config="${ROWWATER_CONFIG:-${DESTDIR:-}/etc/rowwater/garden.yaml}"
keep=14
stamp="$(date -u +%Y%m%dT%H%M%SZ)"
umask 077 # what valves.json says of a relay may open it
mkdir -p "$to"
find "$to" -maxdepth 1 -name '*Z.part' -type d -mmin +60 -exec rm -rf {} + # left by a backup that was cut off
part="$to/$stamp.part"
mkdir "$part"
trap 'rm -rf "$part"' EXIT

if [ -e "$data/rowwater.db" ]; then
  python3 - "$data/rowwater.db" "$part/rowwater.db" <<'PY'
import sqlite3, sys
from pathlib import Path

source = sqlite3.connect(f"{Path(sys.argv[1]).absolute().as_uri()}?mode=rw", uri=True, timeout=30)
target = sqlite3.connect(sys.argv[2])
source.backup(target)
target.execute("PRAGMA journal_mode = DELETE")  # one file, whole by itself
problem = target.execute("PRAGMA integrity_check").fetchone()[0]
target.close()
source.close()
if problem != "ok":
    sys.exit(f"the copy is not sound: {problem}")
PY
fi
for file in "$config" "$(dirname "$config")/crops.yaml" "$data"/in-use.json "$data"/valves.json; do
  [ ! -e "$file" ] || cp -p "$file" "$part/"
done
for folder in "$data"/in-use-*/; do # the version of garden.yaml in use; it may be replaced meanwhile
  [ ! -d "$folder" ] || cp -rp "$folder" "$part/" 2>/dev/null || true
done
sync -f "$part"
mv -T "$part" "$to/$stamp"
trap - EXIT
find "$to" -maxdepth 1 -name '*Z' -type d | sort | head -n "-$keep" | while read -r old; do rm -rf "$old"; done
echo "$to/$stamp"
