# Every step that does work is a script that `make` runs too (cmd/setup); a
# test reads this file and checks that.
FROM golang:1.26-bookworm AS build
RUN apt-get update -q && apt-get install -y -q --no-install-recommends npm make
WORKDIR /src
COPY cmd/setup cmd/setup
RUN cmd/setup/packages.sh build
RUN cmd/setup/onnxruntime.sh
COPY . .
RUN make bin/nightcage

FROM debian:bookworm-slim
COPY cmd/setup/packages.sh /setup/packages.sh
RUN apt-get update -q && /setup/packages.sh run && rm -rf /var/lib/apt/lists/* /setup
RUN useradd --system --create-home --home-dir /var/lib/nightcage --uid 10001 nightcage
COPY --from=build /src/bin/nightcage /usr/local/bin/nightcage
COPY --from=build /src/models/lib/libonnxruntime.so.1 /usr/local/lib/nightcage/libonnxruntime.so.1
ENV NIGHTCAGE_ONNXRUNTIME=/usr/local/lib/nightcage/libonnxruntime.so.1 \
    NIGHTCAGE_HOME=/var/lib/nightcage
USER nightcage
VOLUME /var/lib/nightcage
HEALTHCHECK --interval=30s --timeout=10s --start-period=20s CMD ["nightcage", "status"]
ENTRYPOINT ["nightcage"]
CMD ["work"]
