package event_test

import (
	"testing"

	"rollwarden/rules/event"
)

func BenchmarkDecode(b *testing.B) {
	m := message(b, sample(b, kindOf(b, "edge.moved")))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := event.Decode(m); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	e := sample(b, kindOf(b, "edge.moved"))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := event.Encode(e); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkCheck covers a small payload and the largest flat one.
func BenchmarkCheck(b *testing.B) {
	for _, typ := range []event.Type{"edge.moved", "ticket.received"} {
		p := sample(b, kindOf(b, typ)).Data
		b.Run(string(typ), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := p.Check(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
