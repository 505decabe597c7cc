# Two commands matter to a newcomer: `make demo` and `make test`. Each does its
# own set-up (system packages, ONNX Runtime) and is quick when repeated.
SHELL := /bin/bash
.DEFAULT_GOAL := bin/nightcage
.PHONY: demo test bench bench-queue accuracy calibrate cases faults lint readme setup setup-test clean bin/nightcage

env := . cmd/setup/env.sh &&

setup:
	@cmd/setup/packages.sh build
	@cmd/setup/onnxruntime.sh

bin/nightcage: setup
	@$(env) go build -o bin/nightcage ./cmd/nightcage

# The main job on an embedded queue: four rendered clips of an invented team go
# in, measured swings come out.
demo: bin/nightcage
	@cmd/setup/demo.sh

# A browser, and what checks pages, are for tests alone.
setup-test: setup
	@cmd/setup/packages.sh test
	@cmd/setup/web.sh

lint: setup-test
	@test -z "$$(gofmt -l $$(git ls-files '*.go'))" || { gofmt -l $$(git ls-files '*.go'); echo "run gofmt -w on these files"; exit 1; }
	@$(env) go vet ./...
	@$(env) go tool staticcheck ./...
	@node .tools/typescript/lib/tsc.js -p cmd/internal/room/web

# matprofile counts OpenCV images, so that a leak fails a test.
test: lint bin/nightcage
	@$(env) go test -tags customenv,matprofile -timeout 30m ./...

# What a clip costs, over decoding it once plus one pose inference for each picture of
# the swings, and by stage, and what threads gain; ten minutes. BENCH=all adds as much
# film. The table is kept, so that a change that makes a clip dearer shows in review.
bench: setup
	@$(env) go test -run '^$$' -bench '^BenchmarkCost' -benchtime 3x -timeout 3h ./worker/analysis -args -table $(CURDIR)/testdata/bench.txt $(if $(filter all,$(BENCH)),-long) >.bench.log || { cat .bench.log; exit 1; }
	@cat testdata/bench.txt; rm .bench.log

# What queue, ledger and stores cost with 1,000 to 100,000 clips waiting, and how many
# clips a second 1 to 8 workers of a home measure; analyses are stubs. Some ten minutes.
# BENCH=all adds a million clips and a night of 10,000: two hours on a slow disk.
bench-queue: setup
	@$(env) go test -run '^$$' -bench '^BenchmarkGrowth$$' -benchtime 1x -timeout 4h ./worker -args -table $(CURDIR)/testdata/bench-queue.txt $(if $(filter all,$(BENCH)),-long) >.bench.log || { cat .bench.log; exit 1; }
	@cat testdata/bench-queue.txt; rm .bench.log
ifeq ($(BENCH),all)
	@$(env) go test -run '^$$' -bench '^BenchmarkNight$$' -benchtime 10000x -timeout 2h ./worker | grep ^Benchmark
endif

# Errors on clips with truth files: DIR=... for a folder of your own. The table
# for the repository's clips is kept in testdata, so that a change that makes it
# worse shows in review.
DIR ?= testdata/clips
accuracy: bin/nightcage
	@$(env) bin/nightcage judge $(DIR) > .accuracy.new
	@if [ "$(DIR)" = testdata/clips ]; then cp .accuracy.new testdata/accuracy.txt; fi
	@cat .accuracy.new; rm .accuracy.new

# Error-bar factors, from clips with truth that judge nothing: DIRS="A B". Takes
# as long as judging them; build again afterwards.
calibrate: bin/nightcage
	@test -n "$(DIRS)" || { echo 'say which folders of clips with truth: make calibrate DIRS="A B"'; exit 2; }
	@rm -rf .calibrate && mkdir .calibrate
	@$(env) i=0; for d in $(DIRS); do i=$$((i+1)); bin/nightcage judge "$$d" --json > .calibrate/$$i.json || exit 1; done
	@$(env) bin/nightcage calibrate .calibrate/*.json > .calibrate/new && mv .calibrate/new metrics/calibration.json
	@rm -rf .calibrate
	@echo "metrics/calibration.json is made; build again to use it"

# One swing as phones and apps write it: table of cases by outcome; fails when one
# ends otherwise than testdata/phone/expected.tsv says.
cases: setup
	@$(env) go test -tags customenv -run '^TestPhoneCases$$' -count=1 -timeout 60m ./worker/analysis -args -cases >.cases.log || { cat .cases.log; exit 1; }
	@cat testdata/cases.txt; rm .cases.log

readme: bin/nightcage
	@cmd/setup/readme.sh

# Every kind of fault at full length, some ten minutes; ends with a table and fails
# on any loss. Needs user namespaces, for a disk that can be filled.
faults: setup
	@$(env) go test -tags customenv -c -o bin/faults.test ./worker
	@$(env) cd worker && $(CURDIR)/bin/faults.test -test.run '^TestFaults$$' -test.timeout 40m -long >$(CURDIR)/.faults.log || { cat $(CURDIR)/.faults.log; exit 1; }
	@grep '^|' .faults.log; rm .faults.log bin/faults.test

clean:
	rm -rf bin demo
