package rules_test

import (
	"fmt"
	"rollwarden/rules/event"
	"testing"
)

func TestSmoke(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	show := func(c []event.AlarmChanged) {
		for _, x := range c {
			fmt.Println(x.From, "->", x.To, x.On, x.Emit, x.Priority, x.Message)
			for _, r := range x.Remedies {
				fmt.Printf("    %+v\n", r)
			}
			for _, r := range x.Evidence {
				fmt.Printf("    %+v\n", r)
			}
		}
	}
	d.monoRoll(0)
	show(d.say("ticket.received", ticket("J1")))
	show(d.say("run.started", &event.RunStarted{Run: run("J1", nil)}))
	show(d.say("run.progress", &event.RunProgress{Run: run("J1", p(1))}))
	show(d.say("run.finished", &event.RunFinished{Run: run("J1", p(3))}))
	show(d.say("cut.finished", &event.CutFinished{Job: "J1", Part: "P1", Rewound: yes(), AtMM: p(900)}))
}
