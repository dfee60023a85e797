package ipp

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/OpenPrinting/goipp"

	"rollwarden/rules/event"
)

// states are the values of printer-state (RFC 8011, section 5.4.11).
var states = map[goipp.Integer]string{3: event.MachineIdle, 4: event.MachineProcessing, 5: event.MachineStopped}

// mostWords is how many reasons or media are kept of one answer.
const mostWords = 32

// Decode reads the answer to the request with an id. A state that is not there, or
// that the standard does not know, is an error: nothing is then known.
func Decode(answer []byte, id uint32) (said event.MachineReported, err error) {
	defer func() {
		if p := recover(); p != nil { // the library's; one printer must not end the watch
			err = fmt.Errorf("the answer cannot be read: %v", p)
		}
	}()
	var m goipp.Message
	if err := m.DecodeBytes(answer); err != nil {
		return said, fmt.Errorf("the answer is no IPP message: %w", err)
	}
	if m.RequestID != id {
		return said, fmt.Errorf("the answer is to request %d, and %d was asked", m.RequestID, id) // section 4.1.1
	}
	// Codes up to 0x00ff say that it went well (section 4.1.6.1 and appendix B.1.2).
	if m.Code > 0xff {
		return said, fmt.Errorf("the printer refuses to answer: %s", goipp.Status(m.Code))
	}
	return reported(m.Printer)
}

// reported picks what is known out of the printer's attributes.
func reported(attrs goipp.Attributes) (said event.MachineReported, err error) {
	for _, a := range attrs {
		switch a.Name {
		case "printer-state": // section 5.4.11
			if len(a.Values) == 1 && a.Values[0].T == goipp.TagEnum {
				n, _ := a.Values[0].V.(goipp.Integer)
				said.State = states[n]
			}
		case "printer-state-reasons": // section 5.4.12
			said.Reasons = slices.DeleteFunc(words(a.Values), func(w string) bool { return w == "none" })
		case "printer-state-message": // section 5.4.13
			if all := texts(a.Values); len(all) > 0 {
				said.Message = all[0]
			}
		case "printer-is-accepting-jobs": // section 5.4.23
			if len(a.Values) == 1 {
				if yes, ok := a.Values[0].V.(goipp.Boolean); ok {
					accepting := bool(yes)
					said.Accepting = &accepting
				}
			}
		case "media-ready": // section 5.2.11
			said.Media = words(a.Values)
		}
	}
	if said.State == "" {
		return event.MachineReported{}, errors.New("the answer has no printer-state of idle, processing or stopped")
	}
	if len(said.Reasons) == 0 {
		said.Reasons = nil
	}
	if len(said.Media) == 0 {
		said.Media = nil
	}
	return said, said.Check()
}

// words are the different texts of an attribute, sorted, because their order means
// nothing and a change of it is no news.
func words(values goipp.Values) []string {
	all := texts(values)
	slices.Sort(all)
	all = slices.Compact(all)
	return all[:min(len(all), mostWords)]
}

// texts are the values that are texts, names or keywords, fit for the journal.
func texts(values goipp.Values) []string {
	var all []string
	for _, v := range values {
		var text string
		switch s := v.V.(type) {
		case goipp.String:
			text = string(s)
		case goipp.TextWithLang:
			text = s.Text
		}
		if text = strings.TrimSpace(strings.ToValidUTF8(text, "�")); text != "" {
			all = append(all, clip(text))
		}
	}
	return all
}

// clip keeps a text to what a keyword, a name or a message can be: 1023 bytes at
// most (section 5.1.2).
func clip(text string) string {
	const most = 1023
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "")
}
