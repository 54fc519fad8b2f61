# Read by demo/run.sh and tests/run.sh: set_up EXTRAS makes .venv of this folder and installs the package into it, as it
# lies here, with those extras. Where that was done before and nothing has changed since, nothing is done.
# Leaves the interpreter's path in $python.

give_up() {
    echo "oneshot: $*" >&2
    exit 1
}

new_enough() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null
}

# The first Python that will do, by the names it has on Debian and elsewhere; nothing where there is none.
find_python() {
    for each in ${PYTHON:-} python3 python3.13 python3.12 python3.11 python3.14; do
        if command -v "$each" >/dev/null 2>&1 && new_enough "$each"; then
            echo "$each"
            return
        fi
    done
}

set_up() {
    python=.venv/bin/python
    if [ ! -x "$python" ] || ! "$python" -c '' 2>/dev/null; then
        [ ! -e .venv ] || echo "The Python of .venv is gone: making it anew."
        found=$(find_python)
        [ -n "$found" ] || give_up "needs Python 3.11 or newer, and there is none here. On Debian 12 or newer:" \
            "apt-get install python3 python3-venv"
        "$found" -c 'import ensurepip, venv' 2>/dev/null || give_up "needs Debian's package python3-venv, which is not" \
            "installed: apt-get install python3-venv"
        "$found" -m venv .venv || give_up "$found -m venv .venv failed: see above"
    fi
    new_enough "$python" || give_up "the Python of .venv is older than 3.11: delete .venv, and run this again"

    # What was installed, and from where: a folder that was moved or whose needs have changed is set up again.
    # The versions that PIP_CONSTRAINT names, if it is set, count, too: pip keeps to it by itself.
    state="$(cksum <pyproject.toml) $(cat "${PIP_CONSTRAINT:-/dev/null}" | cksum) $(pwd) $("$python" -c 'import sys; print(sys.version)')"
    for done in ".venv/set-up $1" ".venv/set-up test,review"; do
        if [ -f "$done" ] && [ "$(cat "$done")" = "$state" ]; then
            return
        fi
    done
    "$python" -m pip --version >/dev/null 2>&1 || "$python" -m ensurepip >/dev/null 2>&1 || give_up ".venv has no pip," \
        "and Debian's package python3-venv, which brings it, is not installed: apt-get install python3-venv"
    echo "Setting up .venv with $2: once, in about a minute ..."
    rm -f .venv/set-up*
    "$python" -m pip install --quiet --disable-pip-version-check --editable ".[$1]" ||
        give_up "pip could not install what is needed: see above; is this machine connected?"
    "$python" -c 'import soundfile' 2>/dev/null || give_up "needs Debian's package libsndfile1, which is not installed:" \
        "apt-get install libsndfile1"
    echo "$state" >".venv/set-up $1"
}
