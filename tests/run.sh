#!/bin/sh
# Make the environment and run the tests; further words go to pytest.
set -eu
cd "$(dirname "$0")/.."
. examples/environment.sh
install '.[test]'
# Threads of the linear algebra beside those of the tests only wait for one another.
export OPENBLAS_NUM_THREADS=1
exec "$venv/bin/python" -m pytest -n auto "$@"
