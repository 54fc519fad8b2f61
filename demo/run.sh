#!/bin/sh
# sh demo/run.sh   renders the demo session into demo/out, builds a kit from it and measures the kit again.
# Nothing outside demo/out is written but the store in your cache folder. Under a minute on two cores.
set -eu
cd "$(dirname "$0")/.."

if [ -x .venv/bin/oneshot ]; then
    oneshot=.venv/bin/oneshot
elif command -v oneshot >/dev/null 2>&1; then
    oneshot=oneshot
else
    echo "oneshot is not installed: run 'python3 -m venv .venv' and '.venv/bin/pip install .' here, then this again" >&2
    exit 1
fi

out=demo/out
session="$out/ropewalk session"
kit="$out/ropewalk kit"
rm -rf "$session"  # the kit is rebuilt in its place and keeps its recipe and corrections
mkdir -p "$out"

echo "A drum kit at one end of an old ropewalk: ten mics, a slate and some playing."
echo "Rendering it anew into $session ..."
"$oneshot" demo "$session" >/dev/null
echo
"$oneshot" build "$session" "$kit"
echo
"$oneshot" verify "$kit"

cat <<END

The kit      $kit
Open         $kit/report.html in a browser: hear every one-shot
Load         $kit/mappings/kit.sfz in a player that reads SFZ, or kit.sf2 beside it
Hear         $oneshot preview '$kit'
Next         change $kit/recipe.toml and run:
             $oneshot build '$session' '$kit'
             or start on recordings of your own:
             $oneshot check 'path to your session'
END
