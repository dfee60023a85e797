package rules

import (
	"strings"
	"unicode/utf8"

	"rollwarden/rules/event"
)

// fit shortens the texts of a transition that are made of other texts. Each of
// those may be as long as the contract allows, and together they would be too
// long for the journal: an alarm must not be lost to a long stock code.
func fit(d *event.AlarmChanged) {
	shorten(&d.Message, &d.Caution)
	for i := range d.Evidence {
		shorten(&d.Evidence[i].Name, &d.Evidence[i].Value, &d.Evidence[i].Limit)
	}
	for i := range d.Remedies {
		shorten(&d.Remedies[i].Text, &d.Remedies[i].WhyNot)
	}
}

func shorten(texts ...*string) {
	for _, t := range texts {
		*t = strings.ToValidUTF8(*t, "\uFFFD")
		if len(*t) > event.MaxText && utf8.RuneCountInString(*t) > event.MaxText {
			*t = string([]rune(*t)[:event.MaxText-1]) + "…"
		}
	}
}
