#!/bin/sh
# Makes clips as phones, apps and messengers write them, out of one of the
# rendered swings, in the folder given: all, or those named. Needs ffmpeg with
# libx264 and libx265. What each should end in is in expected.tsv beside this
# script.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
out=${1:?usage: make.sh FOLDER [CLIP...]}
shift
only=" $* "
mkdir -p "$out"
cd "$out"

# want FILE: whether it was asked for. What later clips are made from always is.
want() {
	case "$1 $only" in
	*.tmp.* | *"   "* | *" $1 "*) ;;
	*) return 1 ;;
	esac
}

# make ARG... FILE, keep FROM FILE: makes or copies a file if it is wanted.
make() {
	for file in "$@"; do :; done
	if want "$file"; then ffmpeg -v error -nostdin -y "$@"; fi
}
keep() { if want "$2"; then cp "$1" "$2"; fi; }
x264='-c:v libx264 -preset veryfast -crf 20 -pix_fmt yuv420p'

# patch FILE WORD OFFSET OCTAL...: overwrites bytes from OFFSET bytes after where
# the last WORD in the file starts.
patch() {
	if [ ! -f "$1" ]; then return; fi
	to=$1 from=$(($(LC_ALL=C grep -abo "$2" "$1" | tail -n 1 | cut -d: -f1) + $3))
	shift 3
	# shellcheck disable=SC2059 # the bytes are the format
	printf "$(printf '\\%s' "$@")" | dd of="$to" bs=1 seek="$from" conv=notrunc 2> /dev/null
}

# The swing with 0.5 s before the front foot's touch and 0.3 s after contact.
swing=swing.tmp.mp4
make -ss 0.5 -i "$here/../clips/s77001_09.mp4" -t 0.95 -c:v libx264 -preset veryfast -crf 12 -pix_fmt yuv420p $swing
half=half.tmp.mp4 # every second picture, 120 a second
make -i $swing -vf "select='not(mod(n,2))'" -fps_mode passthrough -c:v libx264 -preset veryfast -crf 12 -pix_fmt yuv420p $half

# Rates.
keep $swing rate-240.mp4
keep $half rate-120.mp4
sixty=sixty.tmp.mp4 thirty=thirty.tmp.mp4
make -i $swing -vf "select='not(mod(n,4))'" -fps_mode passthrough $x264 $sixty
make -i $swing -vf "select='not(mod(n,8))'" -fps_mode passthrough $x264 $thirty
keep $sixty rate-60.mp4
keep $thirty rate-30.mp4
# 120 a second with single pictures missing and one hole of 25 ms, as in failing light.
make -i $half -vf "select='not(eq(mod(n,17),5))*not(between(n,20,22))'" -fps_mode passthrough $x264 uneven.mp4
# A clip cut without encoding it anew: pictures before its start are hidden.
make -ss 0.1 -i $half -c copy trimmed.mp4

# Slow motion.
slow="-vf setpts=8*PTS -r 30 $x264"
make -i $swing $slow -movflags use_metadata_tags -metadata com.android.capture.fps=ABCD slow-tag.mp4
patch slow-tag.mp4 ABCD -8 000 000 000 027 # type 23: 32-bit float
patch slow-tag.mp4 ABCD 0 103 160 000 000  # 240
make -i $swing $slow -movflags use_metadata_tags -metadata com.android.capture.fps=240 slow-text-tag.mp4
make -i $swing $slow slow-untold.mp4
make -i $swing $slow slow-told.mp4
make -i $half -vf setpts=4*PTS -r 30 $x264 slow-quarter-untold.mp4
# 30 a second at two paces: what lies around the swing at full speed, the swing
# at an eighth of it, as phones export it.
make -i "$here/../clips/s77001_09.mp4" -vf "select='if(between(n,120,360),1,not(mod(n,8)))',setpts=N/30/TB" -r 30 $x264 ramp.mp4
# The same with the times kept: the pace shows in them.
make -i $swing -vf "select='if(between(n,110,190),1,not(mod(n,8)))'" -fps_mode passthrough $x264 two-rates.mp4

# Rates that lie.
make -i $thirty -vf fps=120 $x264 doubled-30-to-120.mp4
make -i $sixty -vf fps=240 $x264 doubled-60-to-240.mp4
make -i $half -vf "fps=50,fps=60" $x264 doubled-50-to-60.mp4
make -i $half -vf "fps=48,fps=60" $x264 pulldown.mp4

# Shapes.
make -i $half -vf "crop=480:720:440:0,scale=720:1080" $x264 portrait.mp4
make -i $half -vf "crop=480:720:440:0,scale=720:1080,transpose=2" $x264 side.tmp.mp4
make -i side.tmp.mp4 -c copy -metadata:s:v:0 rotate=270 turned-90.mp4
make -i $half -vf "transpose=1" $x264 side.tmp.mp4
make -i side.tmp.mp4 -c copy -metadata:s:v:0 rotate=90 turned-270.mp4
keep side.tmp.mp4 turned-untold.mp4
make -i $half -vf "hflip,vflip" $x264 side.tmp.mp4
make -i side.tmp.mp4 -c copy -metadata:s:v:0 rotate=180 turned-180.mp4
# Stored left for right, as front cameras do, with the matrix that undoes it.
make -i $half -vf hflip $x264 mirrored.mp4
patch mirrored.mp4 tkhd 44 377 377 000 000
patch mirrored.mp4 tkhd 68 005 000 000 000
# A turn by 10 degrees: 16.16 fixed point of .985 and .174.
keep $half askew.mp4
patch askew.mp4 tkhd 44 000 000 374 034 000 000 054 164 000 000 000 000 377 377 323 214 000 000 374 034
make -i $half -vf "crop=960:720:200:0,scale=640:480" $x264 four-thirds.mp4
make -i $half -vf "scale=960:720,setsar=4/3" $x264 oblong-points.mp4
make -i $half -vf "scale=480:270" $x264 small.mp4
make -i $sixty -vf "scale=3840:2160" -c:v libx265 -preset ultrafast -crf 24 -pix_fmt yuv420p -tag:v hvc1 -x265-params log-level=error four-k.mov
make -i $half -vf "fps=120,tinterlace=interleave_top,fieldorder=tff" -c:v libx264 -preset veryfast -crf 20 -pix_fmt yuv420p -flags +ildct+ilme interlaced.mp4

# Codecs and containers.
make -i $half -c:v libx265 -preset veryfast -crf 22 -pix_fmt yuv420p -tag:v hvc1 -x265-params log-level=error hevc.mov
make -i $half -vf "eq=contrast=0.75:brightness=0.05,format=yuv420p10le" -c:v libx265 -preset veryfast -crf 22 -tag:v hvc1 \
	-color_primaries bt2020 -color_trc arib-std-b67 -colorspace bt2020nc -x265-params log-level=error hlg.mov
make -i $half -c:v libvpx-vp9 -deadline realtime -cpu-used 8 -crf 30 -b:v 0 vp9.webm
make -i $half -c copy -f matroska plain.mkv
make -i $half -c:v libx264 -preset veryfast -pix_fmt yuv420p -bf 2 no-times.avi
rm -f ./*.tmp.mp4
