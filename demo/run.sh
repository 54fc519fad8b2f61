#!/bin/sh
# sh demo/run.sh   sets up .venv where there is none, renders the demo session into demo/out, builds a kit from it and
# measures the kit again. Nothing outside this folder is written but the store in your cache folder and pip's own cache.
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
set_up review "the package and what it needs"
oneshot() {
    "$python" -m oneshot "$@"
}

out=demo/out
session="$out/ropewalk session"
kit="$out/ropewalk kit"
rm -rf "$session"  # the kit is rebuilt in its place and keeps its recipe and corrections
mkdir -p "$out"

echo "A drum kit at one end of an old ropewalk: ten mics, a slate and some playing."
echo "Rendering it anew into $session ..."
oneshot demo "$session" >/dev/null
echo
oneshot build "$session" "$kit"
echo
oneshot verify "$kit"

cat <<END

The kit      $kit
Open         $(pwd)/$kit/report.html in a browser: hear every one-shot
Review       .venv/bin/oneshot review '$kit'
Load         $kit/mappings/kit.sfz in a player that reads SFZ, or kit.sf2 beside it
Hear         .venv/bin/oneshot preview '$kit'
Next         change $kit/recipe.toml and run:
             .venv/bin/oneshot build '$session' '$kit'
             or start on recordings of your own:
             .venv/bin/oneshot check 'path to your session'
END
