#!/bin/sh
# Makes hostile and odd inputs in the folder given. Needs ffmpeg with libx264.
# What each should end in is in expected.tsv beside this script.
set -eu
out=${1:?usage: make.sh FOLDER}
mkdir -p "$out"
cd "$out"

make() { ffmpeg -v error -nostdin -y "$@"; }
# patch FILE OFFSET OCTAL...: overwrites bytes.
patch() {
	to=$1 offset=$2
	shift 2
	# shellcheck disable=SC2059 # the bytes are the format
	printf "$(printf '\\%s' "$@")" | dd of="$to" bs=1 seek="$offset" conv=notrunc 2> /dev/null
}

# after FILE WORD: the offset just after the last WORD in the file.
after() { echo $(($(LC_ALL=C grep -abo "$2" "$1" | tail -n 1 | cut -d: -f1) + ${#2})); }

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
make -f lavfi -i testsrc2=s=320x180:r=1:d=1 -frames:v 1 photo.jpg
printf '#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:10,\ngood.mp4\n#EXT-X-ENDLIST\n' > playlist.mp4
printf 'ffconcat version 1.0\nfile good.mp4\n' > list.mp4
make -f lavfi -i testsrc2=s=320x192:r=30:d=1 -flags +ildct+ilme -x264opts tff=1 $x264 interlaced.mp4
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -vf setsar=4/3 $x264 oblong-points.mp4
make -f lavfi -i color=s=8256x16:r=30:d=1 -c:v mjpeg -pix_fmt yuvj420p too-wide.mp4
make -f lavfi -i color=s=64x64:r=1:d=1861 $x264 half-an-hour.mp4
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -c:v libx264 -preset veryfast -pix_fmt yuv420p -bf 2 no-times.avi

# Headers that lie. Offsets are those of ISO/IEC 14496-12, version 0 boxes.
cp good.mp4 ten-hours.mp4 # 36,000,000 of 1000 a second
patch ten-hours.mp4 $(($(after ten-hours.mp4 mvhd) + 16)) 002 045 121 000
cp good.mp4 no-ticks.mp4 # 0 ticks a second
patch no-ticks.mp4 $(($(after no-ticks.mp4 mdhd) + 12)) 000 000 000 000
cp good.mp4 one-instant.mp4 # every picture lasts no time
patch one-instant.mp4 $(($(after one-instant.mp4 stts) + 12)) 000 000 000 000
cp good.mp4 backwards.mp4 # every picture lasts -1 ticks
patch backwards.mp4 $(($(after backwards.mp4 stts) + 12)) 377 377 377 377
cp good.mp4 pictures-promised.mp4 # two thousand million of 1 byte each
patch pictures-promised.mp4 $(($(after pictures-promised.mp4 stsz) + 4)) 000 000 000 001 177 377 377 377
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -f lavfi -i sine=d=1 $x264 -c:a aac sounds-promised.mp4
patch sounds-promised.mp4 $(($(after sounds-promised.mp4 stsz) + 4)) 000 000 000 001 177 377 377 377
make -i good.mp4 -c copy -movflags frag_keyframe+empty_moov fragments-promised.mp4
patch fragments-promised.mp4 $(($(after fragments-promised.mp4 trun) + 4)) 177 377 377 377
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -c:v mjpeg -pix_fmt yuvj420p small.tmp.mov
LC_ALL=C sed 's/\xff\xc0\x00\x11\x08\x00\xb4\x01\x40/\xff\xc0\x00\x11\x08\xff\xdc\xff\xdc/g' small.tmp.mov > grown-pictures.mov
make -f lavfi -i color=s=64x64:r=240:d=510 -c:v mpeg4 tiny-pictures.mkv
# 50,000 boxes, one inside the other.
awk 'BEGIN { for (n = 50000; n > 0; n--) { s = 8 * n; printf "%c%c%c%cmoov", 0, int(s / 65536) % 256, int(s / 256) % 256, s % 256 } }' > nested.mp4
# 30 MB of notes.
{ printf ';FFMETADATA1\ncomment='; head -c 30000000 /dev/zero | tr '\0' x; echo; } > notes.tmp.txt
make -i good.mp4 -i notes.tmp.txt -map_metadata 1 -c copy notes.mp4

# More than one picture size, video or kind of stream.
make -f lavfi -i testsrc2=s=320x180:r=60:d=0.5 $x264 -f mpegts a.tmp.ts
make -f lavfi -i testsrc2=s=640x360:r=60:d=0.5 $x264 -output_ts_offset 0.5 -f mpegts b.tmp.ts
cat a.tmp.ts b.tmp.ts > size-changes.ts
make -f lavfi -i testsrc2=s=320x180:r=60:d=1 -f lavfi -i mandelbrot=s=160x90:r=30 -t 1 -map 0 -map 1 $x264 two-videos.mp4
make -f lavfi -i testsrc2=s=96x96:r=1:d=1 -frames:v 1 cover.tmp.png
make -i good.mp4 -i cover.tmp.png -map 0 -map 1 -c copy -disposition:v:1 attached_pic cover.mp4
make -f lavfi -i sine=d=1 -i cover.tmp.png -map 0 -map 1 -c:a aac -c:v copy -disposition:v:0 attached_pic cover-and-sound.mp4
printf '1\n00:00:00,000 --> 00:00:00,900\nGood eye, Juniper.\n' > words.tmp.srt
make -i good.mp4 -i words.tmp.srt -c:v copy -c:s mov_text subtitles.mp4
rm -f ./*.tmp.*
