# Sourced by the scripts: a virtual environment beside the project with Rowwater in it, and nothing outside it.

VENV="${ROWWATER_VENV:-.venv}"

as_root() {
  if [ "$(id -u)" -eq 0 ]; then "$@"; elif command -v sudo >/dev/null; then sudo "$@"; else
    echo "This needs root: $*" >&2
    return 1
  fi
}

# ready_environment SPEC [PIP OPTION...]: SPEC is what pip installs, such as . or .[test]
ready_environment() {
  local spec=$1 python=${PYTHON:-python3}
  shift
  if ! "$python" -c 'import sys; raise SystemExit(not (3, 11) <= sys.version_info[:2] <= (3, 13))'; then
    echo "Rowwater needs Python 3.11, 3.12 or 3.13; $python is $("$python" -V 2>&1)" >&2
    return 1
  fi
  if [ ! -x "$VENV/bin/pip" ]; then
    if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
      echo "Installing python3-venv, which Debian keeps in a package of its own." >&2
      as_root apt-get update -qq
      as_root apt-get install -y -qq python3-venv >/dev/null
    fi
    "$python" -m venv "$VENV"
  fi
  PIP_DISABLE_PIP_VERSION_CHECK=1 "$VENV/bin/pip" install --quiet "$@" "$spec"
}
