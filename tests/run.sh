#!/usr/bin/env bash
# Installs Rowwater with its test extra into a virtual environment beside the project, and runs every test.
set -euo pipefail
cd "$(dirname "$0")/.."
. examples/python.sh
ready_environment '.[test]' -e
"$VENV/bin/python" -m pytest -n auto "$@"
