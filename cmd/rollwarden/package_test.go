package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/opencontainers/image-spec/schema"
	ocispec "github.com/opencontainers/image-spec/specs-go/v1"
)

// packaged is the version that the tests build.
const packaged = "0.1.0"

// TestDistribution builds what is handed to people, the Debian package and the
// container image, and runs the program from both.
func TestDistribution(t *testing.T) {
	out := t.TempDir()
	script(t, []string{"VERSION=" + packaged, "SOURCE_DATE_EPOCH=1772434800"}, "sh", "deploy/package/build.sh", out)
	t.Run("package", func(t *testing.T) { tryPackage(t, matches(t, filepath.Join(out, "*.deb"))[0]) })
	t.Run("image", func(t *testing.T) { tryImage(t, filepath.Join(out, "rollwarden")) })
}

// script runs a program in the folder of the project and returns what it printed.
func script(t *testing.T, environ []string, program string, args ...string) string {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Dir, cmd.Env = filepath.Join("..", ".."), append(os.Environ(), environ...)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", program, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// within runs a program inside another root, as that system would. Who is not
// root becomes it in a user namespace.
func within(t *testing.T, root, program string, args ...string) string {
	t.Helper()
	args = append([]string{"chroot", root, program}, args...)
	if os.Geteuid() != 0 {
		args = append([]string{"unshare", "--map-root-user"}, args...)
	}
	return script(t, nil, args[0], args[1:]...)
}

// tryPackage has the package judged by Debian's own checker, and installs it
// into a root of its own, with the programs of this computer.
func tryPackage(t *testing.T, deb string) {
	tool(t, "lintian", "lintian")
	script(t, nil, "lintian", "--allow-root", "--fail-on=error", "--tag-display-limit=0", deb)
	info := script(t, nil, "dpkg-deb", "--info", deb)
	for _, want := range []string{" Package: rollwarden\n", " Version: " + packaged + "\n", " Architecture: " + runtime.GOARCH + "\n", " Depends: systemd"} {
		if !strings.Contains(info, want) {
			t.Errorf("want %q in\n%s", want, info)
		}
	}

	root := t.TempDir()
	for _, folder := range []string{"var/lib/dpkg/info", "var/lib/dpkg/updates", "etc", "tmp"} {
		if err := os.MkdirAll(filepath.Join(root, folder), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(root, "var/lib/dpkg/status"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	before := filesUnder(t, root)
	dpkg(t, root, "--install", deb)
	if found := filesUnder(t, filepath.Join(root, "etc/systemd")); len(found) > 0 {
		t.Errorf("want the unit neither enabled nor started before its machines are described, got %v", found)
	}
	// sysusers.d(5): the user and its group have one name.
	for _, file := range []string{"etc/passwd", "etc/group"} {
		if text := readFile(t, filepath.Join(root, file)); !strings.Contains(text, "rollwarden:x:") {
			t.Errorf("%s: want rollwarden, got\n%s", file, text)
		}
	}
	if got := within(t, root, "/usr/bin/rollwarden", "version"); !strings.HasPrefix(got, "rollwarden ") {
		t.Errorf("got %q", got)
	}
	if got := within(t, root, "/usr/bin/rollwarden", "--config=/etc/rollwarden/rollwarden.yaml", "check"); !strings.Contains(got, "configuration: ok") {
		t.Errorf("got %q", got)
	}
	units := filepath.Join(root, "usr/lib/systemd/system")
	for _, name := range []string{"rollwarden.service", "rollwarden-backup.service"} {
		for _, m := range regexp.MustCompile(`(?m)^Exec\w+=(\S+/rollwarden) `).FindAllStringSubmatch(readFile(t, filepath.Join(units, name)), -1) {
			if _, err := os.Stat(filepath.Join(root, m[1])); err != nil {
				t.Errorf("%s runs what is not there: %v", name, err)
			}
		}
	}
	if timer := readFile(t, filepath.Join(units, "rollwarden-backup.timer")); !strings.Contains(timer, "OnCalendar=") {
		t.Errorf("want a backup every night, got\n%s", timer)
	}

	tryDocumentation(t, filepath.Join(root, "usr/share/doc/rollwarden"))
	tryOwner(t, root, deb)

	// What a person changed survives an upgrade, and the shop's data all of it.
	settings, journal := filepath.Join(root, "etc/rollwarden/rollwarden.yaml"), filepath.Join(root, "var/lib/rollwarden/data/journal")
	if err := os.MkdirAll(filepath.Dir(journal), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{settings, journal} {
		if err := os.WriteFile(file, []byte("machines:\n  - {site: north, name: heron}\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	dpkg(t, root, "--install", deb)
	if got := readFile(t, settings); !strings.Contains(got, "heron") {
		t.Errorf("the upgrade took the configuration:\n%s", got)
	}
	dpkg(t, root, "--purge", "rollwarden")
	left := slices.DeleteFunc(filesUnder(t, root), func(file string) bool {
		return slices.Contains(before, file) || strings.HasPrefix(file, "var/lib/dpkg/") || slices.Contains([]string{
			"etc/passwd", "etc/group", "etc/shadow", "etc/gshadow", "etc/.pwd.lock", // the owner of the data stays
		}, strings.TrimSuffix(file, "-"))
	})
	if !slices.Equal(left, []string{"var/lib/rollwarden/data/journal"}) {
		t.Errorf("want the journal alone to stay, got %v", left)
	}
}

// tryDocumentation wants every link of an installed page to lead to what is installed,
// and everybody to be able to read it.
func tryDocumentation(t *testing.T, folder string) {
	err := filepath.Walk(folder, func(path string, info fs.FileInfo, err error) error {
		if err == nil && (info.Mode()&0o004 == 0 || info.IsDir() && info.Mode()&0o001 == 0) {
			t.Errorf("%s is closed to others: %v", path, info.Mode())
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
	links := 0
	for _, file := range filesUnder(t, folder) {
		if filepath.Ext(file) != ".md" {
			continue
		}
		for _, m := range regexp.MustCompile(`\]\(([^)#: ]+)(#[^)]*)?\)`).FindAllStringSubmatch(readFile(t, filepath.Join(folder, file)), -1) {
			if links++; !filepath.IsLocal(filepath.Join(filepath.Dir(file), m[1])) {
				t.Errorf("%s leads out of its folder: %s", file, m[1])
			} else if _, err := os.Stat(filepath.Join(folder, filepath.Dir(file), m[1])); err != nil {
				t.Errorf("%s leads nowhere: %v", file, err)
			}
		}
	}
	if links == 0 {
		t.Error("no page has a link")
	}
}

// tryOwner wants the configuration kept from others, also one that an earlier package
// let everybody read, and what a person decided left alone.
func tryOwner(t *testing.T, root, deb string) {
	if os.Geteuid() != 0 {
		return // a user namespace of one user knows no other group
	}
	settings := filepath.Join(root, "etc/rollwarden/rollwarden.yaml")
	entry := regexp.MustCompile(`(?m)^rollwarden:x:(\d+):`).FindStringSubmatch(readFile(t, filepath.Join(root, "etc/group")))
	group, err := strconv.Atoi(entry[1])
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what      string
		group     int // before an upgrade; -1 for a first installation
		mode      os.FileMode
		wantGroup int
		wantMode  os.FileMode
	}{
		{"installed", -1, 0, group, 0o640},
		{"of an earlier package", 0, 0o644, group, 0o640},
		{"of a person", group, 0o440, group, 0o440},
	} {
		if c.group >= 0 {
			if err := errors.Join(os.Chown(settings, 0, c.group), os.Chmod(settings, c.mode)); err != nil {
				t.Fatal(err)
			}
			dpkg(t, root, "--install", deb)
		}
		info, err := os.Stat(settings)
		if err != nil {
			t.Fatal(err)
		}
		if got := int(info.Sys().(*syscall.Stat_t).Gid); got != c.wantGroup || info.Mode().Perm() != c.wantMode {
			t.Errorf("the configuration %s: want group %d and %v, got %d and %v", c.what, c.wantGroup, c.wantMode, got, info.Mode().Perm())
		}
	}
}

// dpkg works on a root of its own. Its scripts run outside of it and get
// DPKG_ROOT (dpkg(1), --force-script-chrootless), because nothing else is there.
func dpkg(t *testing.T, root string, args ...string) {
	t.Helper()
	args = append([]string{"dpkg", "--root=" + root, "--log=" + filepath.Join(root, "tmp/log"), "--force-script-chrootless", "--force-depends", "--force-confold"}, args...)
	if os.Geteuid() != 0 {
		args = append([]string{"unshare", "--map-root-user"}, args...)
	}
	script(t, []string{"DEBIAN_FRONTEND=noninteractive"}, args[0], args[1:]...)
}

// filesUnder lists the files below a folder, which need not be there.
func filesUnder(t *testing.T, folder string) (files []string) {
	t.Helper()
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil
		case err != nil || d.IsDir() || path == filepath.Join(folder, "tmp/log"):
			return err
		}
		name, err := filepath.Rel(folder, path)
		files = append(files, name)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// tryImage builds the image twice, holds it against the schemas of the OCI Image
// Format Specification 1.1, and runs the program from its files.
func tryImage(t *testing.T, program string) {
	folders := []string{filepath.Join(t.TempDir(), "image"), filepath.Join(t.TempDir(), "image")}
	var digests []string
	for _, folder := range folders {
		script(t, []string{"SOURCE_DATE_EPOCH=1772434800"}, "go", "run", "./deploy/image", "-program="+program, "-arch="+runtime.GOARCH, "-version="+packaged, "-out="+folder)
		index := readValid[ocispec.Index](t, schema.ValidatorMediaTypeImageIndex, filepath.Join(folder, "index.json"))
		digests = append(digests, index.Manifests[0].Digest.String())
	}
	if digests[0] != digests[1] {
		t.Errorf("two builds of one program differ: %v", digests)
	}
	image := ociLayout{t, folders[0]}
	if err := schema.ValidatorMediaTypeLayoutHeader.Validate(strings.NewReader(readFile(t, filepath.Join(folders[0], "oci-layout")))); err != nil {
		t.Error(err)
	}
	manifest := readValid[ocispec.Manifest](t, schema.ValidatorMediaTypeManifest, image.blob(digests[0]))
	config := readValid[ocispec.Image](t, schema.ValidatorMediaTypeImageConfig, image.blob(manifest.Config.Digest.String()))
	for key, value := range map[string]string{ocispec.AnnotationVersion: packaged, ocispec.AnnotationTitle: "rollwarden"} {
		if manifest.Annotations[key] != value || config.Config.Labels[key] != value {
			t.Errorf("%s: want %q, got %q and %q", key, value, manifest.Annotations[key], config.Config.Labels[key])
		}
	}
	if _, data := config.Config.Volumes["/data"]; !data || config.Config.User != "65532:65532" || len(config.RootFS.DiffIDs) != len(manifest.Layers) {
		t.Errorf("got %+v", config)
	}
	for _, variable := range config.Config.Env {
		if strings.HasPrefix(variable, "ROLLWARDEN_TICKETS_FOLDER=/") {
			t.Errorf("%s: the watch waits for a folder with a path of its own, and nobody makes it on a new volume", variable)
		}
	}

	root := t.TempDir()
	for i, layer := range manifest.Layers {
		image.unpack(layer.Digest.String(), config.RootFS.DiffIDs[i].String(), root)
	}
	if got := within(t, root, config.Config.Entrypoint[0], "version"); !strings.HasPrefix(got, "rollwarden ") {
		t.Errorf("got %q", got)
	}
	// A zone that the image has no file of, as most shops name one.
	settings := "shop: {time_zone: Europe/Lisbon}\nmachines:\n  - {site: north, name: heron}\n"
	if err := os.WriteFile(filepath.Join(root, "data/rollwarden.yaml"), []byte(settings), 0o644); err != nil {
		t.Fatal(err)
	}
	if got := within(t, root, config.Config.Entrypoint[0], "--config=/data/rollwarden.yaml", "check"); !strings.Contains(got, "configuration: ok") {
		t.Errorf("got %q", got)
	}
}

// readValid reads a JSON file that the specification has a schema for.
func readValid[T any](t *testing.T, by schema.Validator, file string) (out T) {
	t.Helper()
	text := readFile(t, file)
	if err := by.Validate(strings.NewReader(text)); err != nil {
		t.Errorf("%s: %v", file, err)
	}
	if err := json.Unmarshal([]byte(text), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// ociLayout is an image in a folder, as image-layout.md of the specification has
// it.
type ociLayout struct {
	*testing.T
	folder string
}

// blob names the file of a digest, which it must have.
func (l ociLayout) blob(digest string) string {
	l.Helper()
	file := filepath.Join(l.folder, "blobs", strings.ReplaceAll(digest, ":", string(filepath.Separator)))
	if got := sum([]byte(readFile(l.T, file))); got != digest {
		l.Fatalf("%s has the digest %s", file, got)
	}
	return file
}

func sum(data []byte) string {
	hash := sha256.Sum256(data)
	return "sha256:" + hex.EncodeToString(hash[:])
}

// unpack writes the files of a layer into a folder (layer.md).
func (l ociLayout) unpack(digest, uncompressed, into string) {
	l.Helper()
	packed, err := gzip.NewReader(strings.NewReader(readFile(l.T, l.blob(digest))))
	if err != nil {
		l.Fatal(err)
	}
	data, err := io.ReadAll(packed)
	if err != nil {
		l.Fatal(err)
	}
	if got := sum(data); got != uncompressed {
		l.Errorf("want the layer to be %s, got %s", uncompressed, got)
	}
	for files := tar.NewReader(bytes.NewReader(data)); ; {
		h, err := files.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil || !filepath.IsLocal(h.Name) {
			l.Fatalf("%v: %v", h, err)
		}
		path := filepath.Join(into, h.Name)
		if h.Typeflag == tar.TypeDir {
			err = os.MkdirAll(path, h.FileInfo().Mode().Perm()|0o700)
		} else if data, err = io.ReadAll(files); err == nil {
			err = os.WriteFile(path, data, h.FileInfo().Mode().Perm())
		}
		if err != nil {
			l.Fatal(err)
		}
	}
}
