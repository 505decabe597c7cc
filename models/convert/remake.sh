#!/usr/bin/env bash
# Fetches the pose networks' npm package and makes models/*.onnx from it again.
# The result is byte for byte what is committed, or this fails.
#
#   remake.sh            all networks kept in models
#   remake.sh DIR        also pose_lite and pose_heavy, into DIR
set -euo pipefail

version=0.5.1675469404
sums="e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f  pose_landmark_full.tflite
a63c614bef30d35947f13be361820b1e4e3bec9cfeebf4d11216a18373108e85  pose_solution_packed_assets.data
f17bfbecadb61c3be1baa8b8d851cc6619c870a87167b32848ad20db306b9d61  pose_landmark_lite.tflite
59e42d71bcd44cbdbabc419f0ff76686595fd265419566bd4009ef703ea8e1fe  pose_landmark_heavy.tflite"

extra=${1:+$(realpath -- "$1")}
cd -- "$(dirname -- "$0")/../.."
tmp=$(mktemp -d)
trap 'rm -rf "$tmp"' EXIT
npm pack --silent --pack-destination "$tmp" "@mediapipe/pose@$version" >/dev/null
tar -xzf "$tmp"/*.tgz -C "$tmp"
(cd "$tmp/package" && echo "$sums" | sha256sum --check --quiet)

convert() { go run ./models/convert -net "$1" -in "$tmp/package/$2" -out "$3/$1.onnx"; }
convert pose_full pose_landmark_full.tflite models
# the .data file is the detector's TFLite file under another name
convert pose_detection pose_solution_packed_assets.data models
if [ -n "$extra" ]; then
  convert pose_lite pose_landmark_lite.tflite "$extra"
  convert pose_heavy pose_landmark_heavy.tflite "$extra"
fi
go test -run TestHashMatchesCard ./models
