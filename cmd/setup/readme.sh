#!/usr/bin/env bash
# Puts the table of measures between the README's markers.
set -euo pipefail
cd "$(dirname "$0")/../.."
. cmd/setup/env.sh
table=$(mktemp)
trap 'rm -f "$table"' EXIT
bin/nightcage measures >"$table"
awk -v table="$table" '
  /<!-- measures:begin -->/ { print; while ((getline line < table) > 0) print line; skip = 1; next }
  /<!-- measures:end -->/ { skip = 0 }
  !skip { print }' README.md >README.md.new
mv README.md.new README.md
