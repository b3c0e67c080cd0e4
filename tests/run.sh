#!/usr/bin/env bash
# Installs Rowwater with its test extra into a virtual environment beside the project, and runs every test.
set -euo pipefail
cd "$(dirname "$0")/.."
. examples/python.sh
ready_environment '.[test]' -e
if [ ! -x /usr/sbin/mosquitto ] && ! command -v mosquitto >/dev/null; then
  echo "Installing mosquitto, the broker that the valve tests talk to." >&2
  as_root apt-get update -qq
  as_root apt-get install -y -qq --no-install-recommends mosquitto >/dev/null
fi
"$VENV/bin/python" -m pytest -n auto "$@"
