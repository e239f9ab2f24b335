#!/bin/sh
# The first command: set everything up and do the main job on invented captures.
set -eu
cd "$(dirname "$0")/.."
. examples/environment.sh
install .
cleanchain="$venv/bin/cleanchain"

[ -e demo/truth.json ] || "$cleanchain" demo demo
"$cleanchain" clean demo/take-a.wav --silence demo/silence-a.wav --out demo/take-a.clean.wav \
    --plot demo/take-a.png --force
echo
echo "Listen to demo/take-a.wav and demo/take-a.clean.wav (start the monitors low),"
echo "look at demo/take-a.png, and go on with: $cleanchain --help"
