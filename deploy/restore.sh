#!/usr/bin/env bash
# Brings a backup back, on a new card for instance (after deploy/install.sh), or in place of records that are spoilt.
#   sudo deploy/restore.sh [--over-newer] FOLDER_OR_FILE
# FOLDER_OR_FILE: one backup, the folder with all of them (then the newest), or a rowwater.db alone.
# What is here and newer than the backup is named, and nothing is done, unless you say --over-newer. What is replaced
# is kept in /var/backups/rowwater/replaced-TIME.
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
# shellcheck source=deploy/common.sh
. "$here/common.sh"
usage="usage: restore.sh [--over-newer] FOLDER_OR_FILE"
over_newer=
[ "${1:-}" != --over-newer ] || { over_newer=yes && shift; }
from="${1:-}"
if [ $# != 1 ] || [ "${from#-}" != "$from" ]; then fail "$usage"; fi
need_root

# --- what is in it, and is it sound: nothing is touched yet ---
[ -e "$from" ] || fail "no such folder or file: $from"
from="$(readlink -f "$from")"
if [ -d "$from" ] && [ ! -e "$from/rowwater.db" ] && [ ! -e "$from/garden.yaml" ]; then
  newest="$(stamped "$from" '' | sort | tail -n 1)"
  [ -n "$newest" ] || fail "there is no backup in $from"
  from="$newest"
fi
alone=
[ -d "$from" ] || alone=yes
database="$from/rowwater.db"
[ -z "$alone" ] || database="$from"
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
newer=()
if [ -e "$database" ]; then
  copy_database "$database" "$work/rowwater.db" || fail "the records in $database are not sound: nothing was done"
  theirs="$(revision_of "$work/rowwater.db")"
  [ -n "$theirs" ] || fail "$database holds no records of Rowwater: nothing was done"
  known="$(newest_revision)"
  if [ -n "$known" ] && [[ "$theirs" > "$known" ]]; then
    fail "$database was written by a newer version (revision $theirs): install that first. Nothing was done"
  fi
  until="$(newest_record "$work/rowwater.db")"
  here_until="$(newest_record "$data/rowwater.db" 2>/dev/null || true)"
  [[ "$here_until" > "$until" ]] && newer+=("the records go to $here_until, the backup's to ${until:-nothing}")
elif [ -n "$alone" ]; then
  fail "$from is no backup: nothing was done"
fi
settings=()
if [ -z "$alone" ]; then
  for name in garden.yaml crops.yaml environment; do
    [ -f "$from/$name" ] || continue
    there="$(place_of "$name")"
    cmp -s "$from/$name" "$there" && continue
    settings+=("$name")
    # an empty one is what the installation made
    [ -s "$there" ] && [ "$there" -nt "$from/$name" ] && newer+=("$there was edited after the backup")
  done
fi
if [ ${#newer[@]} != 0 ] && [ -z "$over_newer" ]; then
  printf '%s\n' "Newer than the backup $from:" "${newer[@]/#/  }" \
    "Nothing was done. To put the older in their place: $0 --over-newer $from" >&2
  exit 1
fi

# --- the service stands while its records change ---
ran="$(state_of_service)"
resume() {
  trap '' HUP INT TERM
  rm -rf "$work"
  [ "$ran" != running ] || system start rowwater.service || true
}
trap resume EXIT
trap 'exit 129' HUP
trap 'exit 130' INT
trap 'exit 143' TERM
system stop rowwater.service # closes every valve
if [ -z "$destdir" ] && [ -e "$data/valves.lock" ]; then
  python3 -c 'import fcntl, sys; fcntl.lockf(open(sys.argv[1], "r+"), fcntl.LOCK_EX | fcntl.LOCK_NB)' \
    "$data/valves.lock" 2>/dev/null || fail "another process still drives the valves: nothing was done"
fi

kept="$backups/replaced-$(date -u +%Y%m%dT%H%M%SZ)"
keep_old() { # FILE
  [ ! -s "$1" ] || { install -d -m 0700 "$kept" && cp -a "$1" "$kept/"; }
}
put() { # FROM, TO, MODE, OWNER: in one rename
  install -m 0600 "$1" "$2.part"
  [ -n "$destdir" ] || chown "$4" "$2.part"
  chmod "$3" "$2.part"
  touch -r "$1" "$2.part"
  sync "$2.part"
  mv -T "$2.part" "$2"
}

mkdir -p "$data" "$config" "$backups"
if [ -e "$work/rowwater.db" ]; then
  for ending in "" -wal -shm; do keep_old "$data/rowwater.db$ending"; done
  rm -f "$data"/rowwater.db-{wal,shm,journal} "$data/rowwater.db.checked"
  mark_as_copy "$work/rowwater.db"
  put "$work/rowwater.db" "$data/rowwater.db" 0660 rowwater:rowwater
fi
for name in "${settings[@]}"; do
  there="$(place_of "$name")"
  keep_old "$there"
  mkdir -p "$(dirname "$there")"
  if [ "$name" = environment ]; then
    put "$from/$name" "$there" 0600 root:root
  else
    put "$from/$name" "$there" 0664 root:rowwater
  fi
done
if [ -z "$alone" ]; then
  for name in valves.json in-use.json; do # the last good settings, and the valves to close first
    [ ! -e "$from/$name" ] || [ -e "$data/$name" ] || put "$from/$name" "$data/$name" 0660 rowwater:rowwater
  done
  for folder in "$from"/in-use-*/; do
    if [ ! -d "$folder" ] || [ -e "$data/$(basename "$folder")" ]; then continue; fi
    cp -rp "$folder" "$data/"
    [ -n "$destdir" ] || chown -R rowwater:rowwater "$data/$(basename "$folder")"
  done
fi
page=
if [ -z "$alone" ] && [ -e "$config/garden.yaml" ]; then page="$(page_address "$config/garden.yaml" 2>/dev/null || true)"; fi
if [ -n "$page" ]; then # its user must be there before its key
  "$here/page.sh" || say "The page for phones could not be set up: sudo deploy/page.sh"
fi
if [ -z "$alone" ] && [ -e "$from/files.tar" ]; then # what is there stays
  tar -xPpf "$from/files.tar" --skip-old-files ${destdir:+--transform="s,^/,$destdir/,"}
  [ -n "$destdir" ] || tar -dPf "$from/files.tar" >"$work/differ" 2>&1 || true
  [ ! -s "$work/differ" ] || {
    say "Left as they are here, though the backup has them otherwise ($from/files.tar):"
    sed 's/^/  /' "$work/differ"
  }
fi
sync -f "$data"

[ -z "${until:-}" ] || say "Restored from $from: records up to $until."
[ -n "${until:-}" ] || say "Restored from $from."
[ ! -d "$kept" ] || say "What was here before is kept in $kept."
say "What was given since then is not in these records: say it (rowwater note applied ZONE 45min --date DATE)." \
  "Where a trace beside them knows of later openings, nothing is watered before you say that the records are right:" \
  "rowwater day --records-are-right"
if [ -n "$page" ] && [ ! -s "$data/page/phones.json" ]; then
  say "No phone is paired with this page. Which ones were is in no backup, since one that was taken off later would be" \
    "let in again. Pair each anew: rowwater page pair"
fi
if [ "$ran" != running ] && [ -e "$config/garden.yaml" ]; then
  say "Next: rowwater check, then sudo systemctl start rowwater"
fi
