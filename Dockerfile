# Ohmkeep as a static binary that runs without root. Data lives in /data.
#
#   docker build -t ohmkeep .
#   docker run -p 8480:8480 -v ohmkeep:/data ohmkeep
FROM golang:1.26 AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
ARG VERSION=container
RUN CGO_ENABLED=0 go build -trimpath -ldflags "-s -w -X main.version=${VERSION}" -o /ohmkeep ./server \
 && mkdir /data && chown 65532:65532 /data

FROM scratch
COPY --from=build /ohmkeep /ohmkeep
COPY --from=build --chown=65532:65532 /data /data
USER 65532:65532
VOLUME /data
EXPOSE 8480
ENTRYPOINT ["/ohmkeep", "-listen", "0.0.0.0:8480", "-data", "/data"]
