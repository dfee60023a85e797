package ticket

import (
	"reflect"
	"strings"
	"testing"

	"rollwarden/rules/event"
)

// TestEveryNumberHasItsTarget fills each number of the contract by its member's name
// and wants it in that field alone; a slip in a name fills none.
func TestEveryNumberHasItsTarget(t *testing.T) {
	numbers := 0
	for _, f := range reflect.VisibleFields(reflect.TypeFor[event.TicketReceived]()) {
		if f.Type != reflect.TypeFor[*float64]() {
			continue
		}
		numbers++
		member, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		d := &draft{from: map[string]reading{}}
		d.set(member, 7, reading{})
		want := event.TicketReceived{}
		seven := 7.0
		reflect.ValueOf(&want).Elem().FieldByIndex(f.Index).Set(reflect.ValueOf(&seven))
		if !reflect.DeepEqual(d.TicketReceived, want) {
			t.Errorf("%s: got %+v", member, d.TicketReceived)
		}
	}
	if numbers < 11 {
		t.Errorf("%d numbers, want 11 or more", numbers)
	}
	defer func() {
		if recover() == nil {
			t.Error("a slip in a name was taken for another member")
		}
	}()
	(&draft{}).target("prioritiy")
}
