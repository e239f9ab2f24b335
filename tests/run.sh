#!/bin/sh
# Make the environment and run the tests; further words go to pytest.
set -eu
cd "$(dirname "$0")/.."
. examples/environment.sh
install '.[test]'
exec "$venv/bin/python" -m pytest -n auto "$@"
