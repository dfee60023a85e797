package board

import (
	"fmt"

	"golang.org/x/text/language"
)

// words are the board's texts in one language, by key. Texts that come from
// the rules (an alarm's message, a remedy) stay in the rules' own language.
type words map[string]string

// say returns a text with its values filled in. A key that has no text shows
// itself, which a test forbids.
func (w words) say(key string, values ...any) string {
	text, ok := w[key]
	if !ok {
		return key
	}
	if len(values) == 0 {
		return text
	}
	return fmt.Sprintf(text, values...)
}

// name is the text for a value of one of the rules' tables. A value that no
// table has shows itself.
func (w words) name(table, value string) string {
	if text, ok := w[table+"."+value]; ok {
		return text
	}
	return value
}

// languages lists the languages of the catalogue; the first is the fallback.
var languages = []string{"en"}

// catalogue holds every text that the board itself says. A second language is
// one more map with the same keys, and its tag in languages.
var catalogue = map[string]words{"en": {
	"title":        "The floor",
	"adviser":      "Rollwarden advises. It is no safety interlock: it cannot stop a machine, and silence here does not mean that a start is safe.",
	"skip":         "Skip to the machines",
	"hold":         "Hold this page still",
	"go-on":        "Follow the floor again",
	"held":         "This page is held still and gets older.",
	"picture":      "State of %s, %s old",
	"journal":      "journal message %d",
	"zone":         "Times are in %s.",
	"not-ready":    "The journal has not been read to its end, or is out of reach. What stands here may be out of date.",
	"no-machines":  "No machine is configured, and nothing was heard of one.",
	"more":         "%d more machines that are not configured are listed in the API, at /api/v1/floor.",
	"unconfigured": "not configured",
	"unknown":      "unknown",
	"none":         "none",

	"reading.title": "The journal is being read",
	"reading.text":  "There is no floor to show yet. This page tries again by itself every 5 seconds.",
	"missing.title": "There is nothing here",
	"missing.text":  "The state of the floor is at the address below.",
	"missing.link":  "Go to the floor",

	"summary":                       "Alarms that need a person",
	"summary.none":                  "No alarm stands. That is no proof that a start is safe.",
	"summary.high":                  "%d high",
	"summary.medium":                "%d medium",
	"summary.low":                   "%d low",
	"machines":                      "Machines",
	"alarms-of":                     "Alarms of %s",
	"alarms.none":                   "No alarm stands.",
	"alarms.none.gaps":              "No alarm stands, but what is marked with ? is not known or not in order.",
	"heard":                         "heard %s ago",
	"heard.never":                   "never heard",
	"path.print":                    "print line",
	"path.cure":                     "cure %s to %s",
	"path.edge":                     "edge %s",
	"path.front":                    "leader's end %s",
	"path.unknown":                  "edge unknown",
	"path.aria.known":               "Feed path from the print line: cure zone from %s to %s, %s.",
	"fact.film":                     "Film",
	"fact.roll":                     "Roll",
	"fact.edge":                     "Edge",
	"fact.leader":                   "Leader",
	"fact.head":                     "Heads",
	"fact.air":                      "Air",
	"roll.none":                     "no roll loaded",
	"roll.left":                     "%s left",
	"roll.left.no":                  "length left unknown",
	"roll.width":                    "%s wide",
	"roll.width.no":                 "width unknown",
	"roll.thick":                    "%.0f µm",
	"roll.thick.no":                 "thickness unknown",
	"roll.lot":                      "lot %s",
	"edge.at":                       "%s past the print line",
	"edge.behind":                   "%s behind the print line",
	"edge.short":                    "%s short of the cure exit",
	"edge.clear":                    "past the cure exit",
	"edge.unknown":                  "unknown: nobody has said where it is",
	"edge.shape":                    "lip %s",
	"edge.moved":                    "%s %s ago",
	"cause.rewind":                  "rewound",
	"cause.advance":                 "advanced",
	"cause.feed":                    "fed",
	"cause.trim":                    "trimmed",
	"leader.on":                     "%s long",
	"leader.front":                  "ends %s past the print line",
	"head.struck":                   "struck at %s and not yet shown to be well",
	"head.good":                     "checked at %s: nozzles good, path clear",
	"head.bad":                      "checked at %s: not in order",
	"head.unchecked":                "no strike recorded, no check recorded",
	"air.temp":                      "%s",
	"air.temp.no":                   "temperature unknown",
	"air.rh":                        "%.0f %% humidity",
	"air.rh.no":                     "humidity unknown",
	"run.now":                       "Running",
	"run.next":                      "Next run",
	"run.idle":                      "nothing is running",
	"run.queue-empty":               "nothing is queued",
	"run.fed":                       "%s of %s fed",
	"run.fed-open":                  "%s fed of a length unknown",
	"run.since":                     "since %s",
	"run.length":                    "%s long",
	"run.length.no":                 "length unknown",
	"run.no-ticket":                 "no ticket: film, passes and cure unknown",
	"run.behind":                    "%d more behind it",
	"start.in":                      "starts in %s",
	"start.at":                      "at %s",
	"start.due":                     "is due",
	"start.late":                    "was to start %s ago",
	"start.any":                     "may start at any moment",
	"start.after":                   "follows the running one, start unknown",
	"alarm.for":                     "for %s",
	"alarm.since":                   "%s for %s",
	"alarm.said":                    "At %s:",
	"alarm.do":                      "Cheapest",
	"alarm.do.plain":                "Do",
	"alarm.do.none":                 "No remedy can be taken as things are.",
	"alarm.cost":                    "costs %s",
	"alarm.expected":                "%s with the risk that it leaves",
	"alarm.settles":                 "settles it",
	"alarm.helps":                   "helps, and does not settle it",
	"alarm.caution":                 "Caution",
	"alarm.more":                    "Why, what was seen, and other ways",
	"alarm.why":                     "Why it matters",
	"alarm.seen":                    "What was seen",
	"alarm.limit":                   "held against %s",
	"alarm.others":                  "Other ways",
	"alarm.not":                     "not now: %s",
	"alarm.aside":                   "Put aside",
	"alarm.until":                   "until %s",
	"alarm.by":                      "by %s",
	"priority.high":                 "High",
	"priority.medium":               "Medium",
	"priority.low":                  "Low",
	"state.unacknowledged":          "nobody has acknowledged it",
	"state.acknowledged":            "acknowledged",
	"state.returned-unacknowledged": "gone, nobody has acknowledged it",
	"state.latched":                 "latched until somebody resets it",
	"state.shelved":                 "shelved",
	"state.suppressed":              "hidden while its cause stands",
	"state.out-of-service":          "out of service",

	"odd":             "What did not fit",
	"odd.none":        "Everything in the journal fitted the model of the floor.",
	"odd.caption":     "The newest %d of %d events that did not fit",
	"odd.time":        "Time",
	"odd.machine":     "Machine",
	"odd.what":        "What",
	"untold":          "%d pages cannot be delivered by the channel %s: tell people yourself, and look into the log for the reason.",
	"refused":         "Inputs that were refused",
	"refused.none":    "No file and no message was refused.",
	"refused.hint":    "Beside each refused file lies a text with the reason.",
	"class.monomeric": "monomeric", "class.polymeric": "polymeric", "class.cast": "cast", "class.paper": "paper",
	"class.polyester": "polyester", "class.banner": "banner", "class.textile": "textile", "class.other": "other class",
	"class.unknown":    "class unknown",
	"reject.malformed": "not well-formed", "reject.incomplete": "incomplete", "reject.too-large": "too large",
	"reject.forbidden": "forbidden content", "reject.missing-field": "a field is missing", "reject.bad-value": "a bad value",
	"reject.unsupported": "not supported", "reject.unreadable": "unreadable", "reject.event": "bad message in the journal",
}}

// pick chooses the language of a request.
func pick(acceptLanguage string) string {
	tags := make([]language.Tag, len(languages))
	for i, l := range languages {
		tags[i] = language.Make(l)
	}
	_, i := language.MatchStrings(language.NewMatcher(tags), acceptLanguage)
	return languages[i]
}
