#!/bin/sh
# sh tests/run.sh [more pytest arguments]        the fast set: two minutes or so
# sh tests/run.sh full [more pytest arguments]   all of it: under twenty
# The full set opens a browser: see DEVELOPERS.md.
# Uses .venv of this folder where there is one, else python3; PYTHON=... overrides both.
set -eu
cd "$(dirname "$0")/.."

if [ -z "${PYTHON:-}" ]; then
    if [ -x .venv/bin/python ]; then PYTHON=.venv/bin/python; else PYTHON=python3; fi
fi

if [ "${1:-}" = full ]; then
    shift
    exec "$PYTHON" -m pytest -q "$@"
fi
exec "$PYTHON" -m pytest -q -m "not full" "$@"
