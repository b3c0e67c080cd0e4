#!/usr/bin/env bash
# Installs the Rowwater service on Raspberry Pi OS (64-bit) or another Debian with systemd.
#   sudo deploy/install.sh [PACKAGE]     PACKAGE: a wheel or the project's folder (default: the folder above)
# Run again it lays a fresh copy of the program; garden.yaml and the records are never touched.
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
# shellcheck source=deploy/common.sh
. "$here/common.sh"
package="${1:-$(dirname "$here")}"
grower="${SUDO_USER:-}"

need_root
need_machine

if [ -z "$destdir" ]; then
  id rowwater >/dev/null 2>&1 || useradd --system --user-group --home-dir "$data" --shell /usr/sbin/nologin rowwater
  getent group gpio >/dev/null || groupadd --system gpio
  usermod -aG gpio rowwater
  [ -z "$grower" ] || [ "$grower" = root ] || usermod -aG rowwater "$grower"
  install -d -o root -g rowwater -m 2775 "$config"
  install -d -o rowwater -g rowwater -m 2770 "$data"
else
  mkdir -p "$config" "$data"
fi

before="$(readlink -f "$versions/current" 2>/dev/null || true)"
version="$(lay_version "$package")"
need_selfcheck "$version"
use_version "$version"
drop_versions_but "$version" "$before"
place_environment
place_unit "$here"
leave_earlier_environment

boot=/boot/firmware/config.txt
if [ -e "$boot" ] && ! grep -q '^dtparam=strict_gpiod' "$boot"; then
  say "Recommended, by hand: add the line   dtparam=strict_gpiod   to $boot and reboot."
  say "Without it a pin stays as it was when the program that held it is killed: see WIRING.md."
fi
if [ -z "$destdir" ]; then
  systemctl enable rowwater.service
  systemctl enable --now rowwater-backup.timer # a copy each day in /var/backups/rowwater, the newest 14
  if [ -e "$config/garden.yaml" ]; then
    systemctl restart rowwater.service
    say "The service runs: systemctl status rowwater"
  else
    say "Next: rowwater init $config/garden.yaml, then rowwater check, then sudo systemctl start rowwater"
  fi
  [ -z "$grower" ] || [ "$grower" = root ] ||
    say "$grower is now in the group rowwater: log in again for that to take effect."
fi
if [ -e "$config/garden.yaml" ] && [ -n "$(page_address "$config/garden.yaml" 2>/dev/null)" ]; then "$here/page.sh"; fi
say "Before the first run read $here/WIRING.md; then: rowwater valve-test, standing beside the rows."
