package command

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
)

// otherShop is the error of a command that has reached the journal of another shop
// than its configuration's: that of a second watch on this computer, or of a demo left
// running.
type otherShop struct {
	at    string // address
	there string // shop whose journal it is
	here  string // shop of the configuration
	file  string // the configuration; empty for the built-in defaults
	key   string // what says the address: a key of the configuration, or a flag
}

func (o *otherShop) Error() string { return o.What() + ": " + o.Next() }

// What is what is wrong.
func (o *otherShop) What() string {
	return fmt.Sprintf("the watch at %s is of the shop %q, and the configuration (%s) of %q", o.at, o.there, cmp.Or(o.file, "no file: built-in defaults"), o.here)
}

// Next is what to do about it.
func (o *otherShop) Next() string {
	return fmt.Sprintf("stop that watch if nobody needs it, give the right configuration by --config, or give the address of this shop's own watch by %s; when only shop.name was changed, have the watch read its configuration again", o.key)
}

// addressKey says where the address of the watch came from.
func addressKey(cfg *config.Config, flag string) string {
	switch {
	case flag != "":
		return "--nats"
	case cfg.NATS.URL != "":
		return "nats.url or --nats"
	}
	return "nats.listen or --nats"
}

// askWithin bounds how long NATS may take to say whose journal it keeps.
const askWithin = 5 * time.Second

// errMayNotAsk says that the user of the configuration may not look at the journal, as
// a machine may not. Its login says well enough where it belongs.
var errMayNotAsk = errors.New("this user may not look at the journal")

// reach connects to the NATS of a running watch, and refuses one that keeps the
// journal of another shop with an *otherShop. A journal that does not say whose it is,
// as one of an earlier version, is taken for the right one.
func reach(ctx context.Context, cfg *config.Config, o bus.Options, key string) (*bus.Bus, error) {
	ask, denied := context.WithCancelCause(ctx)
	defer denied(nil)
	o.Login = append(o.Login, nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
		if errors.Is(err, nats.ErrPermissionViolation) {
			denied(errMayNotAsk)
		}
	}))
	b, err := bus.Open(ctx, o)
	if err != nil {
		return nil, err
	}
	there, err := whose(ask, cfg, b)
	if err == nil && there != "" && there != cfg.Shop.Name {
		err = &otherShop{b.URL(), there, cfg.Shop.Name, cfg.File, key}
	}
	if err != nil {
		closeBus(b)
		return nil, err
	}
	return b, nil
}

// whose is the shop whose journal is at the other end; empty when that is not said.
func whose(ctx context.Context, cfg *config.Config, b *bus.Bus) (string, error) {
	p, err := cfg.Partitions()
	if err != nil {
		return "", fmt.Errorf("nats.%w", err)
	}
	within, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	shop, err := journal.Shop(within, b.JetStream(), p)
	switch {
	case err == nil:
		return shop, nil
	case errors.Is(context.Cause(ctx), errMayNotAsk):
		return "", nil
	case errors.Is(err, jetstream.ErrJetStreamNotEnabled), errors.Is(err, jetstream.ErrJetStreamNotEnabledForAccount), errors.Is(err, nats.ErrNoResponders):
		return "", nil // whoever wants a journal there will see that there is none
	}
	return "", fmt.Errorf("ask %s which shop's journal it keeps: %w: try again when it answers", b.URL(), err)
}
