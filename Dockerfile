# A static program in an empty image, run by a user without rights.
#
#   docker build -t dewbench --build-arg VERSION=1.0.0 .
#   docker run --rm -p 127.0.0.1:8480:8480 -p 127.0.0.1:8490:8490 dewbench

FROM golang:1.26.7 AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
ARG VERSION=
RUN CGO_ENABLED=0 go build -trimpath -ldflags "-s -w -X main.version=${VERSION}" -o /dewbench ./cmd/dewbench

FROM scratch
COPY --from=build /dewbench /dewbench
USER 65532:65532
# Inside a container the loopback address reaches nobody; publish the ports to
# the addresses that you mean.
ENV DEWBENCH_HTTP_ADDR=0.0.0.0:8480 DEWBENCH_GRPC_ADDR=0.0.0.0:8490
EXPOSE 8480 8490
ENTRYPOINT ["/dewbench"]
CMD ["serve"]
