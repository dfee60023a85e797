package setup

import (
	"errors"
	"fmt"
	"net/mail"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/bojanz/currency"

	"rollwarden/metrics/web"
	"rollwarden/rules/event"
	"rollwarden/rules/hint"
)

// The readers of answers. Each says what it wants.

func readName(what string) func(string) (string, error) {
	return func(text string) (string, error) {
		if err := event.CheckName(what, text); err != nil || text == event.AnyMachine {
			return "", fmt.Errorf("want letters, digits, - and _, such as heron, got %q", text)
		}
		return text, nil
	}
}

func readText(text string) (string, error) {
	if strings.TrimSpace(text) == "" {
		return "", errors.New("want some text")
	}
	return strings.TrimSpace(text), nil
}

func readZone(text string) (string, error) {
	if _, err := time.LoadLocation(text); err != nil || text == "" {
		return "", fmt.Errorf("want an IANA time zone such as Europe/Lisbon, or Local for that of this computer, got %q", text)
	}
	return text, nil
}

func readCurrency(text string) (string, error) {
	if text = strings.ToUpper(text); text == "" || !currency.IsValid(text) {
		return "", fmt.Errorf("want an ISO 4217 code such as USD or EUR, got %q", text)
	}
	return text, nil
}

func readOneOf(choices ...string) func(string) (string, error) {
	return func(text string) (string, error) {
		if text = strings.ToLower(text); !slices.Contains(choices, text) {
			return "", fmt.Errorf("want one of %s, got %q%s", strings.Join(choices, ", "), text, hint.DidYouMean(text, choices))
		}
		return text, nil
	}
}

// readLanguage takes a language that the pages have texts in. A shop that wants to
// write its own sets shop.texts in the file.
func readLanguage(text string) (string, error) {
	languages, err := web.Languages(nil)
	if err != nil {
		return "", err
	}
	return readOneOf(languages...)(text)
}

// readClass takes a film class.
func readClass(text string) (string, error) {
	var names []string
	for _, c := range event.Classes {
		names = append(names, string(c))
	}
	return readOneOf(names...)(text)
}

func readWebAddress(text string) (string, error) {
	if u, err := url.Parse(text); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.User != nil {
		return "", errors.New("want an address such as https://pages.shop.example/floor, without user and password")
	}
	return text, nil
}

func readHost(text string) (string, error) {
	if text == "" || strings.ContainsAny(text, ":/ @") {
		return "", fmt.Errorf("want the name of a computer such as board.shop.example, got %q", text)
	}
	return text, nil
}

func readAddress(text string) (string, error) {
	if _, err := mail.ParseAddress(text); err != nil {
		return "", fmt.Errorf("want one mail address such as floor@shop.example, got %q", text)
	}
	return text, nil
}

func readFile(text string) (string, error) {
	if info, err := os.Stat(text); err != nil || !info.Mode().IsRegular() {
		return "", fmt.Errorf("want a file that is there, got %q", text)
	}
	return text, nil
}

func readMoney(text string) (string, error) {
	if v, err := strconv.ParseFloat(text, 64); err != nil || v < 0 || strings.ContainsAny(text, "eExXnNiI_") {
		return "", fmt.Errorf("want an amount such as 1.20, got %q", text)
	}
	return text, nil
}

// units are those in which a length may be written, in mm (BIPM, SI brochure;
// the inch is 25.4 mm and the mil a thousandth of it since 1959).
var units = map[string]float64{"mm": 1, "cm": 10, "m": 1000, "um": 0.001, "µm": 0.001, "in": 25.4, "mil": 0.0254}

// readMeasure reads a length in mm, um or s within its limits; a bare number is
// in the unit that is asked for.
func readMeasure(unit string, least, most float64) func(string) (float64, error) {
	return func(text string) (float64, error) {
		digits := strings.TrimRight(text, "abcdefghijklmnopqrstuvwxyzµ ")
		v, err := strconv.ParseFloat(strings.TrimSpace(digits), 64)
		if word := strings.TrimSpace(text[len(digits):]); err == nil && word != "" && word != unit {
			from, known := units[word]
			to, length := units[unit]
			if !known || !length {
				err = errors.New("another unit")
			}
			v *= from / to
		}
		if err != nil || v < least || v > most || v != v {
			return 0, fmt.Errorf("want a number from %s to %s %s, got %q", number(least), number(most), unit, text)
		}
		return v, nil
	}
}
