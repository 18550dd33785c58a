# A static program in an empty image, run by a user without rights.
#
#   docker build -t dewbench --build-arg VERSION=1.0.0 .
#   docker run --rm -v dewbench:/data dewbench grower add "Fern Hollow"
#   docker run --rm -v dewbench:/data -p 127.0.0.1:8480:8480 -p 127.0.0.1:8490:8490 dewbench
#
# The records are in the volume at /data, in a SQLite file, and the photos in a folder
# beside it. For Postgres give DEWBENCH_DATABASE_URL, and run `migrate` before the first
# start; photos then are in /data/dewbench-photos-DATABASE, by its name.

FROM golang:1.26.7 AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
ARG VERSION=
RUN CGO_ENABLED=0 go build -trimpath -ldflags "-s -w -X main.version=${VERSION}" -o /dewbench ./cmd/dewbench
# For the records, and for what the demo throws away.
RUN mkdir /empty

FROM scratch
COPY --from=build /dewbench /dewbench
# To know a server of Postgres by its certificate.
COPY --from=build /etc/ssl/certs/ca-certificates.crt /etc/ssl/certs/
COPY --from=build --chown=65532:65532 /empty /data
COPY --from=build --chown=65532:65532 /empty /tmp
USER 65532:65532
WORKDIR /data
VOLUME /data
ENV DEWBENCH_DATABASE_URL=sqlite:/data/dewbench.db
# Inside a container the loopback address reaches nobody; publish the ports to
# the addresses that you mean.
ENV DEWBENCH_HTTP_ADDR=0.0.0.0:8480 DEWBENCH_GRPC_ADDR=0.0.0.0:8490
EXPOSE 8480 8490
ENTRYPOINT ["/dewbench"]
CMD ["serve"]
