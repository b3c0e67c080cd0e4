#!/usr/bin/env bash
# Renews config/locked.txt: the newest releases that fit pyproject.toml, for each Python and processor that is served,
# with the hashes of their files. For contributors, before a release; run the tests on what it brings.
set -euo pipefail
top="$(cd "$(dirname "$0")/.." && pwd)"
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
python3 -m venv "$work/env"
"$work/env/bin/pip" install --quiet --disable-pip-version-check uv
echo 'setuptools>=77' >"$work/build.in" # what a folder of the project is built with
{
  printf '%s\n' '# What an installation takes, and nothing else: deploy/install.sh, deploy/upgrade.sh.' \
    '# Written by deploy/renew-locked.sh.'
  cd "$work" && "$work/env/bin/uv" pip compile "$top/pyproject.toml" build.in --extra mqtt --extra gpio --universal \
    --python-version 3.11 --generate-hashes --no-header --no-annotate --quiet --no-emit-index-url --no-emit-find-links
} >"$work/locked.txt"
mv "$work/locked.txt" "$top/config/locked.txt"
