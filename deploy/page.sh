#!/usr/bin/env bash
# The page for phones, as garden.yaml has it (page:). Run it again after an edit of that block.
#   sudo deploy/page.sh        opens the address for phones; the page is started when somebody connects
#   sudo deploy/page.sh off    closes it; the paired phones stay known
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
# shellcheck source=deploy/common.sh
. "$here/common.sh"
dropin="$units/rowwater-page.socket.d"

need_root
case "${1:-on}" in
  on) ;;
  off)
    system disable --now rowwater-page.socket rowwater-page.service || true
    rm -rf "$dropin"
    system daemon-reload
    say "The page is off."
    exit 0
    ;;
  *) fail "usage: page.sh [off]" ;;
esac

[ -x "$versions/current/bin/python" ] || fail "nothing is installed: deploy/install.sh"
listen="$(page_address "$config/garden.yaml")"
[ -n "$listen" ] || fail "no page: stands in $config/garden.yaml, or it is wrong: rowwater check"
if [ -z "$destdir" ]; then
  id rowwater-page >/dev/null 2>&1 ||
    useradd --system --user-group --home-dir "$data/page" --shell /usr/sbin/nologin rowwater-page
  usermod -aG rowwater rowwater-page
  install -d -o rowwater-page -g rowwater -m 2770 "$data/page"
else
  mkdir -p "$data/page"
fi
place_unit "$here"
mkdir -p "$dropin"
printf '[Socket]\nListenStream=\nListenStream=%s\n' "$listen" >"$dropin/listen.conf"
system daemon-reload
system stop rowwater-page.service || true
system enable rowwater-page.socket
system restart rowwater-page.socket
say "Phones find the page at $listen. Pair one: rowwater page pair"
