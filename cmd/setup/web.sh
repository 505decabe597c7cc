#!/usr/bin/env bash
# Fetches what checks the film room's pages, into .tools: the TypeScript compiler
# (Apache-2.0) for the types of its scripts, axe-core (MPL-2.0) for what keeps people
# out. Neither becomes part of the program. `npm pack` only fetches the archives: no
# script of a package is run. Safe to repeat: what has the right hash stays.
set -euo pipefail

root=$(cd -- "$(dirname -- "$0")/../.." && pwd)
tools=$root/.tools

# fetch PACKAGE VERSION MEMBER SUM: unpacks MEMBER of the package into .tools/PACKAGE.
# The sum is of the archive and is kept beside it, so that it is fetched once.
fetch() {
  local dir=$tools/$1 tmp
  [ -f "$dir/.sum" ] && [ "$(<"$dir/.sum")" = "$4" ] && return 0
  command -v npm >/dev/null || { echo "web.sh: npm is needed to fetch $1 $2" >&2; exit 1; }
  mkdir -p "$tools"
  tmp=$(mktemp -d "$tools/.fetch.XXXXXX")
  echo "fetching $1 $2" >&2
  (cd "$tmp" && npm pack --silent "$1@$2" >/dev/null)
  echo "$4  $tmp/$1-$2.tgz" | sha256sum --check --status || {
    rm -rf "$tmp"
    echo "web.sh: $1 $2 is not the package that was expected (sha256 $4)" >&2
    exit 1
  }
  tar -xzf "$tmp/$1-$2.tgz" -C "$tmp" "package/$3"
  echo "$4" >"$tmp/package/.sum"
  rm -rf "$dir"
  mv "$tmp/package" "$dir"
  rm -rf "$tmp"
}

fetch typescript 5.9.3 lib 10e108c9cf7d5f2879053dff18515fb405abf2ccef63eaaf017d9c571687a1d3
fetch axe-core 4.14.1 axe.min.js e6b0ce02b84d892e2e33e403485e7f3d6c29e2be6df65daf44d89ba564139745
