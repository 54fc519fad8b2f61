#!/bin/sh
# sh tests/run.sh [more pytest arguments]        sets up .venv where that is due, and runs the fast set
# sh tests/run.sh full [more pytest arguments]   all of it
# The full set opens a browser, plays the SoundFont and reads recordings of real drums: it needs some packages of
# Debian's, and names those that are missing. ONESHOT_NO_BROWSER=1 leaves out what opens a browser.
# WORKERS=0 runs the tests in one process.
# PYTHON=... uses that Python's own packages and sets nothing up.
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
unset PYTHONDONTWRITEBYTECODE  # each worker, and each command that a test starts, would compile all sources anew

if [ -n "${PYTHON:-}" ]; then
    python=$PYTHON
else
    set_up test,review "the package, what it needs and the test tools"
fi

if [ "${1:-}" != full ]; then
    exec "$python" -m pytest -q -n "${WORKERS:-auto}" --dist worksteal -m "not full" "$@"
fi
shift

missing=
command -v fluidsynth >/dev/null 2>&1 || missing="$missing fluidsynth"
[ -d /usr/share/sonic-pi/samples ] || missing="$missing sonic-pi-samples"
if [ -z "${ONESHOT_NO_BROWSER:-}" ]; then
    [ -n "${CHROMIUM:-}" ] || command -v chromium >/dev/null 2>&1 || missing="$missing chromium"
    if [ -z "${AXE_CORE:-}" ] && [ ! -f .axe/node_modules/axe-core/axe.min.js ]; then
        if command -v npm >/dev/null 2>&1; then
            npm install --silent --no-audit --no-fund --prefix .axe axe-core@4 >/dev/null ||
                give_up "npm could not install axe-core: is this machine connected?"
        else
            missing="$missing npm"
        fi
    fi
fi
[ -z "$missing" ] || give_up "the full set needs of Debian's packages:$missing. apt-get install$missing"
exec "$python" -m pytest -q -n "${WORKERS:-auto}" --dist worksteal "$@"
