#!/usr/bin/env bash
# The main job from end to end on an embedded queue: clips of the Cinder Creek
# Comets, an invented travel team, are submitted, measured and listed. What it
# makes lies in ./demo and is remade each time.
set -euo pipefail
cd "$(dirname "$0")/../.."
. cmd/setup/env.sh

export NIGHTCAGE_HOME=$PWD/demo/home
rm -rf demo && mkdir -p demo

say() { printf '\n$ nightcage %s\n' "$*"; }
run() {
  say "$@"
  bin/nightcage "$@"
}

team="Cinder Creek Comets"
run submit testdata/clips/s77001_00.mp4 --team "$team" --hitter "Rook Calder" --height 67.9in --inseam 34.4in --bat 33.5in --level college --sport baseball --ball pitch
run submit testdata/clips/s77001_04.mp4 --team "$team" --hitter "Juniper Sable" --height 55.5in --inseam 26.2in --bat 28.5in --level youth --sport baseball --ball pitch
run submit testdata/clips/s77001_06.mp4 --team "$team" --hitter "Ozzie Marlow" --height 63.6in --inseam 30.7in --bat 32.5in --level high-school --sport baseball --ball pitch
run submit testdata/clips/s77001_09.mp4 --team "$team" --hitter "Tamsin Vale" --height 68.8in --inseam 33in --bat 31.5in --level high-school --sport baseball --ball pitch
run work --drain
run records --team "$team"
printf "\nRecords, tracks and stills lie in demo/home. To look at them in a browser:\n\n    NIGHTCAGE_HOME=demo/home bin/nightcage room\n"
