package prom

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
)

// priceList names the prices in use, by eight letters that are others when any of
// them or the currency is another. It hides nothing that the costs do not tell.
func priceList(currency string, films *film.Catalogue) string {
	h := sha256.New()
	fmt.Fprintln(h, currency)
	if films != nil {
		for _, class := range event.Classes {
			fmt.Fprintf(h, "class %s %s\n", class, films.Class(class).PricePerM2)
		}
		for _, stock := range films.Stocks() {
			fmt.Fprintf(h, "stock %q %s\n", stock, films.Lookup(stock, event.Unknown).PricePerM2)
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:4])
}
