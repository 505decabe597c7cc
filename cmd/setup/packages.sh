#!/usr/bin/env bash
# Installs the system packages Nightcage needs on Debian 12 or Ubuntu 24.04.
#
#   packages.sh build    headers and tools to compile and test (default)
#   packages.sh test     what the tests need beyond that: a browser without a screen
#   packages.sh run      shared libraries and ffprobe alone, for a running image
#
# Safe to repeat: when everything is present it installs nothing and needs no
# network. Uses sudo only when not root.
set -euo pipefail

what=${1:-build}
modules="core imgproc video videoio calib3d dnn objdetect highgui imgcodecs features2d photo"

case $what in
build)
  # opencv.hpp includes the headers of flann, ml and stitching as well
  want="ffmpeg pkg-config libavformat-dev libswscale-dev"
  for m in $modules flann ml stitching; do want="$want libopencv-$m-dev"; done
  ;;
test)
  # any Chromium will do: Ubuntu has it outside of its packages
  for b in chromium chromium-browser google-chrome; do command -v "$b" >/dev/null && exit 0; done
  want="chromium"
  ;;
run)
  # 406 is OpenCV 4.6; Ubuntu 24.04 renamed the packages with t64. Its videoio
  # brings FFmpeg's libraries.
  suffix=406
  if apt-cache show libopencv-core406t64 >/dev/null 2>&1; then suffix=406t64; fi
  want="ffmpeg ca-certificates"
  for m in $modules; do want="$want libopencv-$m$suffix"; done
  ;;
*)
  echo "packages.sh: unknown set '$what': say build, test or run" >&2
  exit 2
  ;;
esac

missing=""
for p in $want; do
  dpkg-query -W -f='${Status}' "$p" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $p"
done
[ -z "$missing" ] && exit 0

if ! command -v apt-get >/dev/null; then
  echo "packages.sh: this machine has no apt-get; install the counterparts of:$missing" >&2
  exit 1
fi
sudo=""
if [ "$(id -u)" != 0 ]; then
  command -v sudo >/dev/null || { echo "packages.sh: not root and no sudo; ask an administrator to install:$missing" >&2; exit 1; }
  sudo=sudo
fi
echo "installing:$missing" >&2
$sudo apt-get update -q >&2
# shellcheck disable=SC2086 # the list is meant to split
$sudo env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $missing >&2
