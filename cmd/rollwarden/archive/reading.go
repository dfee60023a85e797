package archive

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"maps"
	"os"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
)

// mostStored is what a server that only takes a copy may store, bytes: the disk
// is the limit, and its room was asked for before.
const mostStored = 1 << 50

// try puts a copied stream into a NATS server of its own on the folder, reads it
// from end to end and closes the server. What it made stays.
func try(ctx context.Context, folder string, d description, path string, log zerolog.Logger, put, read func(done, total int64)) (j Journal, err error) {
	b, err := bus.Open(ctx, bus.Options{StoreDir: folder, MaxStore: mostStored, Name: "rollwarden-archive", Log: log})
	if err != nil {
		return j, err
	}
	defer func() {
		if closeErr := b.Close(context.WithoutCancel(ctx)); err == nil {
			err = closeErr
		}
	}()
	return putAndRead(ctx, b, d.keepingAll(true), path, put, read)
}

// putAndRead makes a stream of a file and says what is in it.
func putAndRead(ctx context.Context, b *bus.Bus, d description, path string, tellPut, tellRead func(done, total int64)) (j Journal, err error) {
	f, err := os.Open(path)
	if err != nil {
		return j, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return j, err
	}
	if err := put(ctx, b.Conn(), d, f, info.Size(), tellPut); err != nil {
		return j, fmt.Errorf("put the stream %s back: %w", d.name(), err)
	}
	return readAll(ctx, b.JetStream(), d.name(), tellRead)
}

// readAll reads a journal from end to end.
func readAll(ctx context.Context, js jetstream.JetStream, stream string, tell func(done, total int64)) (Journal, error) {
	r := reading{Journal: Journal{Stream: stream}, sum: sha256.New()}
	j, err := journal.Look(ctx, js, journal.Options{Stream: stream, Log: zerolog.Nop()})
	if err != nil {
		return r.Journal, err
	}
	if r.First, r.Last, err = j.Span(ctx); err != nil {
		return r.Journal, err
	}
	err = j.Read(ctx, 1, r.Last, "", func(e journal.Entry) error {
		r.take(e)
		tell(int64(r.Entries), int64(r.Last-r.First+1))
		return nil
	})
	r.Digest = hex.EncodeToString(r.sum.Sum(nil))
	return r.Journal, err
}

// reading adds entries up.
type reading struct {
	Journal
	sum hash.Hash
}

// take adds one entry. Each part is preceded by its length, so that no two
// different entries give the same bytes.
func (r *reading) take(e journal.Entry) {
	if r.Entries == 0 {
		r.FirstStored = e.Stored.UTC()
	}
	r.Entries, r.LastStored = r.Entries+1, e.Stored.UTC()
	r.number(e.Seq)
	r.number(uint64(e.Stored.UnixNano()))
	r.text(e.Subject)
	r.number(uint64(len(e.Header)))
	for _, name := range slices.Sorted(maps.Keys(e.Header)) {
		r.text(name)
		r.number(uint64(len(e.Header[name])))
		for _, value := range e.Header[name] {
			r.text(value)
		}
	}
	r.text(string(e.Data))
}

func (r *reading) number(n uint64) {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], n)
	r.sum.Write(b[:])
}

func (r *reading) text(s string) {
	r.number(uint64(len(s)))
	_, _ = io.WriteString(r.sum, s) // a hash never fails
}

// stamp is how a moment stands in names of files: sorted by name is sorted by
// time.
func stamp(t time.Time) string { return t.UTC().Format("20060102T150405Z") }
