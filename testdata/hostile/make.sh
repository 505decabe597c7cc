#!/bin/sh
# Makes hostile and odd inputs in the folder given. Needs ffmpeg with libx264.
# What each should end in is in expected.tsv beside this script.
set -eu
out=${1:?usage: make.sh FOLDER}
mkdir -p "$out"
cd "$out"

make() { ffmpeg -v error -nostdin -y "$@"; }
x264='-c:v libx264 -preset veryfast -pix_fmt yuv420p'

: > empty.mp4
printf 'Batting order: Ines, Odo, Wren\n' > text.mp4
# 60 kB that are no container: AES of zeros would need openssl, so a cheap generator.
awk 'BEGIN { s = 12345; for (i = 0; i < 60000; i++) { s = (s * 1103515245 + 12345) % 2147483648; printf "%c", 1 + int(s / 65536) % 126 } }' > noise.mp4
mkdir -p folder.mp4

make -f lavfi -i testsrc2=s=320x180:r=60:d=1 $x264 -bf 2 good.mp4
cp good.mp4 wrong-extension.txt
size=$(wc -c < good.mp4)
head -c $((size / 2)) good.mp4 > no-index.mp4
make -i good.mp4 -c copy -movflags +faststart index-first.mp4
head -c $((size * 6 / 10)) index-first.mp4 > cut-short.mp4
head -c 60 good.mp4 > only-a-header.mp4
# The tail of the coded pictures replaced by zeros.
cp good.mp4 damaged.mp4
dd if=/dev/zero of=damaged.mp4 bs=1 seek=$((size / 3)) count=$((size / 6)) conv=notrunc 2> /dev/null
# All coded pictures replaced by zeros; the index is whole.
cp index-first.mp4 no-pictures.mp4
mdat=$(LC_ALL=C grep -abo mdat no-pictures.mp4 | head -n 1 | cut -d: -f1)
dd if=/dev/zero of=no-pictures.mp4 bs=4096 seek=$((mdat + 4)) count=$(((size - mdat - 4) / 4096)) oflag=seek_bytes conv=notrunc 2> /dev/null

make -f lavfi -i sine=d=1 -c:a aac sound-only.mp4
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -frames:v 1 $x264 one-picture.mp4
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -frames:v 11 $x264 eleven-pictures.mp4
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -frames:v 12 $x264 twelve-pictures.mp4
make -f lavfi -i testsrc2=s=64x64:r=10:d=2 -f gif gif.mp4
printf '#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:10,\ngood.mp4\n#EXT-X-ENDLIST\n' > playlist.mp4
printf 'ffconcat version 1.0\nfile good.mp4\n' > list.mp4
make -f lavfi -i testsrc2=s=320x192:r=30:d=1 -flags +ildct+ilme -x264opts tff=1 $x264 interlaced.mp4
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -vf setsar=4/3 $x264 oblong-points.mp4
make -f lavfi -i color=s=8256x16:r=30:d=1 -c:v mjpeg -pix_fmt yuvj420p too-wide.mp4
make -f lavfi -i color=s=32x32:r=1:d=1861 $x264 half-an-hour.mp4
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -c:v libx264 -preset veryfast -pix_fmt yuv420p -bf 2 no-times.avi
