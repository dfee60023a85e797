package app

import (
	"context"
	"testing"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/watcher/signal"
)

// TestSignalsWaitFromTheStart: before the journal has been read, and so before anything
// is mapped, there is a place where signals wait.
func TestSignalsWaitFromTheStart(t *testing.T) {
	cfg := shopOf(t, 1)
	length, cause := "0.1", "make-ready"
	cfg.Sources.Signals = []config.Signal{{
		Topic: "kestrel/{machine}/spoiled", Event: "film.wasted",
		Fields: map[string]config.SignalField{"length_m": {Value: &length}, "cause": {Value: &cause}},
	}}
	a := &App{opts: Options{Config: cfg}, cfg: cfg, clock: RealClock{}, log: zerolog.Nop(), ground: &Ground{}}
	t.Cleanup(func() {
		if err := a.ground.Close(context.Background()); err != nil {
			t.Error(err)
		}
	})
	for _, step := range []func(context.Context) error{a.openSite, a.openBus, a.openJournals, a.openPager, a.openLeases, a.openFront} {
		if err := step(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.openShard(t.Context(), 0, always); err != nil { // nothing runs yet
		t.Fatal(err)
	}
	for _, stream := range []string{signal.StreamName, "$MQTT_msgs"} {
		if _, err := a.bus.JetStream().Consumer(t.Context(), stream, signal.Consumer); err != nil {
			t.Errorf("%s: %v", stream, err)
		}
	}
}
