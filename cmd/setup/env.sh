# Source this before running go by hand: it points cgo at Debian's and Ubuntu's
# OpenCV headers (those packages ship no pkg-config file of their own unless the
# whole of libopencv-dev is installed) and Nightcage at its ONNX Runtime.
nightcage_root=$(CDPATH= cd -- "$(dirname -- "${BASH_SOURCE[0]:-$0}")/../.." && pwd)
export CGO_ENABLED=1
export GOFLAGS="-tags=customenv"
export CGO_CXXFLAGS="-O2 --std=c++11"
export CGO_CPPFLAGS="-I/usr/include/opencv4"
export CGO_LDFLAGS="-lopencv_core -lopencv_imgproc -lopencv_video -lopencv_videoio -lopencv_calib3d -lopencv_dnn -lopencv_objdetect -lopencv_highgui -lopencv_imgcodecs -lopencv_features2d -lopencv_photo"
export NIGHTCAGE_ONNXRUNTIME="${NIGHTCAGE_ONNXRUNTIME:-$nightcage_root/models/lib/libonnxruntime.so.1}"
unset nightcage_root
