// Command image builds the container image of Rollwarden from its program alone, without
// a container engine and without an image to begin from:
//
//	CGO_ENABLED=0 go build -trimpath -ldflags=-s -o rollwarden ./cmd/rollwarden
//	go run ./deploy/image -program rollwarden -version 1.0.0 -out image
//
// It writes an OCI image layout (OCI Image Format Specification, image-layout.md),
// which podman, skopeo and others read as oci:image. The same program,
// certificates, version and time give the same bytes.
//
// In the container the watch keeps journal, reports and tickets in /data. Mount a
// volume there, and the configuration as /data/rollwarden.yaml, beside which it makes
// tickets/ with a folder for each machine; to be reached from outside it needs
// http.listen, a login and TLS, as everywhere.
package main

import (
	"archive/tar"
	"bytes"
	"flag"
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

	v1 "github.com/google/go-containerregistry/pkg/v1"
	"github.com/google/go-containerregistry/pkg/v1/empty"
	"github.com/google/go-containerregistry/pkg/v1/layout"
	"github.com/google/go-containerregistry/pkg/v1/mutate"
	"github.com/google/go-containerregistry/pkg/v1/tarball"
	"github.com/google/go-containerregistry/pkg/v1/types"
)

func main() {
	var o options
	flag.StringVar(&o.program, "program", "", "the program, linked statically for linux")
	flag.StringVar(&o.arch, "arch", "amd64", "the processor that it is for")
	flag.StringVar(&o.version, "version", "", "version of the image")
	flag.StringVar(&o.certificates, "certificates", "/etc/ssl/certs/ca-certificates.crt", "the authorities that the watch believes when it pages over TLS")
	flag.StringVar(&o.out, "out", "", "folder to write, which must not be there")
	flag.Parse()
	err := o.check()
	if err == nil {
		err = build(o)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "image:", err)
		os.Exit(1)
	}
}

type options struct {
	program, arch, version, certificates, out string

	created time.Time // of the image and of all files in it
}

// check wants all that there must be, and reads the time of the image from
// SOURCE_DATE_EPOCH (reproducible-builds.org), the beginning of 1970 without it.
func (o *options) check() error {
	for name, value := range map[string]string{"program": o.program, "version": o.version, "out": o.out} {
		if value == "" {
			return fmt.Errorf("want -%s: see -help", name)
		}
	}
	if _, err := os.Lstat(o.out); err == nil {
		return fmt.Errorf("-out: %s is there already: give another name", o.out)
	}
	seconds := int64(0)
	if text := os.Getenv("SOURCE_DATE_EPOCH"); text != "" {
		var err error
		if seconds, err = strconv.ParseInt(text, 10, 64); err != nil {
			return fmt.Errorf("SOURCE_DATE_EPOCH: want seconds since 1970, got %q", text)
		}
	}
	o.created = time.Unix(seconds, 0).UTC()
	return nil
}

// build writes the image.
func build(o options) error {
	files, err := fileSystem(o)
	if err != nil {
		return err
	}
	layer, err := tarball.LayerFromOpener(func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(files)), nil }, tarball.WithMediaType(types.OCILayer))
	if err != nil {
		return err
	}
	image := mutate.ConfigMediaType(mutate.MediaType(empty.Image, types.OCIManifestSchema1), types.OCIConfigJSON)
	if image, err = mutate.AppendLayers(image, layer); err != nil {
		return err
	}
	if image, err = mutate.ConfigFile(image, configOf(image, o)); err != nil {
		return err
	}
	annotated, ok := mutate.Annotations(image, labels(o)).(v1.Image)
	if !ok {
		return fmt.Errorf("the annotated image is a %T", annotated)
	}
	folder, err := layout.Write(o.out, empty.Index)
	if err != nil {
		return err
	}
	return folder.AppendImage(annotated, layout.WithPlatform(v1.Platform{OS: "linux", Architecture: o.arch}),
		layout.WithAnnotations(map[string]string{"org.opencontainers.image.ref.name": o.version}))
}

// user is whom the program runs as: nobody that a computer outside knows.
const user = 65532

// configOf says how the image is run.
func configOf(image v1.Image, o options) *v1.ConfigFile {
	c := &v1.ConfigFile{OS: "linux", Architecture: o.arch, Created: v1.Time{Time: o.created}}
	if have, err := image.ConfigFile(); err == nil {
		c.RootFS = have.RootFS
	}
	c.History = []v1.History{{Created: c.Created, CreatedBy: "rollwarden deploy/image", Comment: "rollwarden " + o.version}}
	c.Config = v1.Config{
		User:       fmt.Sprintf("%d:%d", user, user),
		Entrypoint: []string{"/usr/bin/rollwarden"},
		Cmd:        []string{"run"},
		WorkingDir: "/data",
		Env: []string{
			"PATH=/usr/bin", "SSL_CERT_FILE=/etc/ssl/certs/ca-certificates.crt",
			"ROLLWARDEN_DATA_FOLDER=/data/data", "ROLLWARDEN_LOG_FORMAT=json",
		},
		Volumes:      map[string]struct{}{"/data": {}},
		ExposedPorts: map[string]struct{}{"8477/tcp": {}, "4222/tcp": {}},
		Labels:       labels(o),
		StopSignal:   "SIGTERM",
	}
	return c
}

// labels describe the image by the keys of the specification (annotations.md).
func labels(o options) map[string]string {
	return map[string]string{
		"org.opencontainers.image.title":       "rollwarden",
		"org.opencontainers.image.description": "Warns before a printer starts on a bare film edge. An adviser, not a safety interlock.",
		"org.opencontainers.image.version":     o.version,
		"org.opencontainers.image.created":     o.created.Format(time.RFC3339),
	}
}

// fileSystem is the only layer: a tar of all files, in a fixed order. Zones are
// in the program.
func fileSystem(o options) ([]byte, error) {
	program, err := os.ReadFile(o.program)
	if err != nil {
		return nil, err
	}
	certificates, err := os.ReadFile(o.certificates)
	if err != nil {
		return nil, fmt.Errorf("read the certificates: %w: install the package ca-certificates, or name another file", err)
	}
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for _, f := range []struct {
		name string
		mode int64
		of   int
		data []byte
	}{
		{"data/", 0o750, user, nil},
		{"etc/", 0o755, 0, nil},
		{"etc/group", 0o644, 0, fmt.Appendf(nil, "root:x:0:\nrollwarden:x:%d:\n", user)},
		{"etc/passwd", 0o644, 0, fmt.Appendf(nil, "root:x:0:0:root:/:/nologin\nrollwarden:x:%d:%d:Rollwarden:/data:/nologin\n", user, user)},
		{"etc/ssl/", 0o755, 0, nil},
		{"etc/ssl/certs/", 0o755, 0, nil},
		{"etc/ssl/certs/ca-certificates.crt", 0o644, 0, certificates},
		{"tmp/", 0o1777, 0, nil},
		{"usr/", 0o755, 0, nil},
		{"usr/bin/", 0o755, 0, nil},
		{"usr/bin/rollwarden", 0o755, 0, program},
	} {
		h := &tar.Header{Name: f.name, Mode: f.mode, Uid: f.of, Gid: f.of, Size: int64(len(f.data)), ModTime: o.created, Typeflag: tar.TypeReg}
		if f.data == nil {
			h.Typeflag = tar.TypeDir
		}
		if err := w.WriteHeader(h); err != nil {
			return nil, err
		}
		if _, err := w.Write(f.data); err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}
