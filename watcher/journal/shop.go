package journal

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// shopKey is the stream's metadata that says whose journal it is. Keys of one's own
// may be anything that does not begin with _nats (NATS ADR-33, "Metadata for Stream
// and Consumer").
const shopKey = "rollwarden.shop"

// nameWithin bounds how long a stream may take to be given its shop's name.
const nameWithin = 5 * time.Second

// metadataOf names the shop, beside what others have put there.
func metadataOf(there map[string]string, shop string) map[string]string {
	if shop == "" {
		return there
	}
	named := map[string]string{shopKey: shop}
	for key, value := range there {
		if key != shopKey {
			named[key] = value
		}
	}
	return named
}

// nameShop writes into a stream that is there already whose it is now. One that this
// user may use and not change is as good a journal without.
func nameShop(ctx context.Context, js jetstream.JetStream, stream jetstream.Stream, o Options) jetstream.Stream {
	config := stream.CachedInfo().Config
	before := config.Metadata[shopKey]
	if o.Shop == "" || before == o.Shop {
		return stream
	}
	ctx, cancel := context.WithTimeout(ctx, nameWithin)
	defer cancel()
	config.Metadata = metadataOf(config.Metadata, o.Shop)
	named, err := js.UpdateStream(ctx, config)
	if err != nil {
		o.Log.Warn().Err(err).Str("stream", o.Stream).Msg("the journal cannot be given the name of its shop, so that commands cannot tell it from another's: let this user update the stream")
		return stream
	}
	if before != "" {
		o.Log.Warn().Str("stream", o.Stream).Str("before", before).Str("shop", o.Shop).Msg("the journal was one of another shop, or the shop has another name now")
	}
	return named
}

// Shop returns the name of the shop whose journal a NATS keeps. It is empty where
// there is no journal, or where a watch made it that did not say so yet. A floor of
// several partitions is asked by one of them: they are all of one shop.
func Shop(ctx context.Context, js jetstream.JetStream, p Partitions) (string, error) {
	// The other shop may have divided its floor where this one has not.
	for _, name := range []string{p.Stream(0), StreamName, StreamName + "-0"} {
		stream, err := js.Stream(ctx, name)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			continue
		}
		if err != nil {
			return "", err
		}
		return stream.CachedInfo().Config.Metadata[shopKey], nil
	}
	return "", nil
}
