#!/usr/bin/env bash
# Installs Rowwater with its test extra into a virtual environment beside the project, and runs every test and the
# examples in the docstrings.  Arguments go to pytest, and the docstrings are left out then.
set -euo pipefail
cd "$(dirname "$0")/.."
. examples/python.sh
ready_environment '.[test]' -e
if [ ! -x /usr/sbin/mosquitto ] && ! command -v mosquitto >/dev/null; then
  echo "Installing mosquitto, the broker that the valve tests talk to." >&2
  as_root apt-get update -qq
  as_root apt-get install -y -qq --no-install-recommends mosquitto >/dev/null
fi
if ! command -v cc >/dev/null; then
  echo "Installing a C compiler, for the clock of the soak." >&2
  as_root apt-get install -y -qq --no-install-recommends gcc libc6-dev >/dev/null
fi
if ! command -v chromium >/dev/null || ! ldconfig -p | grep -q 'libcairo[.]so[.]2'; then
  echo "Installing Chromium, in which the pages are looked at, and the library that draws .png." >&2
  as_root apt-get update -qq
  as_root apt-get install -y -qq --no-install-recommends chromium libcairo2 fonts-dejavu-core >/dev/null
fi
for shell in zsh fish; do  # the completion is tried in them; without them those two tests are left out
  command -v $shell >/dev/null || as_root apt-get install -y -qq --no-install-recommends $shell >/dev/null || true
done
# kept also where the machine says otherwise: each of the many processes would compile all modules anew
export PYTHONDONTWRITEBYTECODE=
"$VENV/bin/python" -m compileall -q scheduler
if [ $# -eq 0 ]; then
  "$VENV/bin/python" -m pytest --collect-only >/dev/null &  # compiles the tests once, before every worker does
  "$VENV/bin/python" -m pytest --doctest-modules --ignore=scheduler/store/migrations scheduler
  wait
fi
# more workers than cores: those that try real processes mostly wait
"$VENV/bin/python" -m pytest -n $((2 * $(nproc))) --dist worksteal "$@"
