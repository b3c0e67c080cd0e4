#!/usr/bin/env bash
# From a bare machine to this morning's summary: installs Rowwater into a virtual environment beside the
# project, runs the daily job for two weeks of a real weather record, and prints the last morning.
# Needs the package index once; nothing else from the network.
set -euo pipefail
cd "$(dirname "$0")/.."
. examples/python.sh
ready_environment .
rowwater="$VENV/bin/rowwater"
data="${ROWWATER_DEMO_DATA:-.demo}"
rm -rf "$data"

places=(--config examples/creekside/garden.yaml --data "$data")
day=2015-06-26
last=2015-07-09
echo "Two weeks on the Creekside plot: each morning the plan, each noon the answer that it was done."
while [[ "$day" < "$last" ]]; do
  "$rowwater" day "${places[@]}" --date "$day" >"$data.log" || [ $? -eq 3 ]
  "$rowwater" note applied --as-planned "${places[@]}" --date "$day" >>"$data.log" 2>&1 || [ $? -eq 2 ]
  day=$(date -d "$day + 1 day" +%F)
done
"$rowwater" note chore flush "${places[@]}" --date "$(date -d "$last - 1 day" +%F)" >/dev/null
rm -f "$data.log"
"$rowwater" day "${places[@]}" --date "$last" >/dev/null || [ $? -eq 3 ]
echo
"$rowwater" morning "${places[@]}" --date "$last" || [ $? -eq 3 ]
echo
echo "The working behind one zone:  $rowwater why beans ${places[*]}"
