#!/usr/bin/env bash
# Puts ONNX Runtime's shared library in models/lib, from the npm package
# onnxruntime-node (MIT). `npm pack` only fetches the archive: no script of the
# package is run. Safe to repeat: a library with the right hash stays as it is.
# Does nothing when NIGHTCAGE_ONNXRUNTIME names a file of the user's own.
set -euo pipefail

version=1.24.3
case $(uname -m) in
x86_64) arch=x64 sum=92ba8e44d31b80a34f5e805076a044122c3be1fffe0d88ed790de7267b0b2682 ;;
aarch64 | arm64) arch=arm64 sum=33032cb5b91c12edbf028d7c69fa40a31848d66c0095448758af237d5e0b07db ;;
*)
  echo "onnxruntime.sh: no library for $(uname -m) in the package; set NIGHTCAGE_ONNXRUNTIME to one of your own" >&2
  exit 1
  ;;
esac

root=$(cd -- "$(dirname -- "$0")/../.." && pwd)
lib=$root/models/lib/libonnxruntime.so.1

own=${NIGHTCAGE_ONNXRUNTIME:-}
[ -n "$own" ] && [ "$own" != "$lib" ] && [ -f "$own" ] && exit 0

matches() { echo "$sum  $1" | sha256sum --check --status 2>/dev/null; }
[ -f "$lib" ] && matches "$lib" && exit 0

command -v npm >/dev/null || {
  echo "onnxruntime.sh: npm is needed to fetch onnxruntime-node $version; install it, or set NIGHTCAGE_ONNXRUNTIME" >&2
  exit 1
}
mkdir -p "$root/models/lib"
# beside its destination, so that the last step is one rename
tmp=$(mktemp -d "$root/models/lib/.fetch.XXXXXX")
trap 'rm -rf "$tmp"' EXIT
echo "fetching ONNX Runtime $version ($arch)" >&2
(cd "$tmp" && npm pack --silent "onnxruntime-node@$version" >/dev/null)
member=package/bin/napi-v6/linux/$arch/libonnxruntime.so.1
tar -xzf "$tmp/onnxruntime-node-$version.tgz" -C "$tmp" "$member"
matches "$tmp/$member" || {
  echo "onnxruntime.sh: the library in onnxruntime-node $version is not the one expected (sha256 $sum)" >&2
  exit 1
}
chmod 644 "$tmp/$member"
mv "$tmp/$member" "$lib"
