package config

import (
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// Site is what the rules engine is told about the shop.
func (c *Config) Site() (rules.Site, error) {
	films, flat, err := c.films()
	if err != nil {
		return rules.Site{}, err
	}
	costs, err := c.costs()
	if err != nil {
		return rules.Site{}, err
	}
	odds, display := c.odds(), c.Display()
	site := rules.Site{
		Default: c.plant(Machine{Ink: plant.DefaultInk.Family}),
		Films:   films,
		Book:    c.Book(),
		Drift:   register.ClassDefault{Share: c.Rules.UncompensatedShare},
		Advisor: &remedy.Advisor{Odds: odds, Costs: costs, Films: films, Flat: flat, Display: display},
		Display: display,
		PageFor: c.PageFor,
		Lapse:   c.Alarms.Lapse,
	}
	if c.Odds.Learn {
		fit := risk.FitOptions{Starts: c.Odds.PriorStarts, MachineStarts: c.Odds.MachineStarts}
		site.Learn = func(cells []risk.Cell) remedy.Odds { return risk.Fit(odds, cells, fit) }
	}
	for _, m := range c.Machines {
		site.Machines = append(site.Machines, c.plant(m))
	}
	return site, nil
}

// Book is the shop's rule book, or the catalogue with its own defaults.
func (c *Config) Book() *hazard.Book {
	if c.book == nil {
		return hazard.DefaultBook()
	}
	return c.book
}

// Location is the zone in which people read times, and in which tickets are
// read that give none.
func (c *Config) Location() (*time.Location, error) {
	if c.Shop.TimeZone == "" {
		return nil, fmt.Errorf("time zone is missing: want an IANA name such as Europe/Lisbon, or Local")
	}
	zone, err := time.LoadLocation(c.Shop.TimeZone)
	if err != nil {
		return nil, fmt.Errorf("time zone %q: want an IANA name such as Europe/Lisbon, or Local: %w", c.Shop.TimeZone, err)
	}
	return zone, nil
}

// Display says how people want to read values.
func (c *Config) Display() units.Display {
	return units.Display{Fahrenheit: c.Shop.Temperature == "F", Imperial: c.Shop.Length == "imperial", Clock12: c.Shop.Clock == "12h"}
}

// shiftForm is how the beginning of a shift is written.
const shiftForm = "15:04"

// ShiftFrom says when the shift began that is on at a moment, by the clock of
// the shop's zone; nil when the shop has named no shifts.
func (c *Config) ShiftFrom(zone *time.Location) func(time.Time) time.Time {
	if len(c.Shop.Shifts) == 0 {
		return nil
	}
	return func(now time.Time) (from time.Time) {
		year, month, day := now.In(zone).Date()
		for _, text := range c.Shop.Shifts {
			at, err := time.Parse(shiftForm, text)
			if err != nil {
				continue // the check has refused it
			}
			for _, back := range []int{0, 1} {
				began := time.Date(year, month, day-back, at.Hour(), at.Minute(), 0, 0, zone)
				if !began.After(now) && began.After(from) {
					from = began
				}
			}
		}
		return from
	}
}

// Texts are the shop's own texts over ours; nil for none.
func (c *Config) Texts() fs.FS {
	if c.Shop.Texts == "" {
		return nil
	}
	return os.DirFS(c.Path(c.Shop.Texts))
}

// PageFor lists the channels that a priority is paged on. A priority that is
// not known is taken for the most urgent one.
func (c *Config) PageFor(p hazard.Priority) []string {
	switch p {
	case hazard.Medium:
		return c.Pager.Routes.Medium
	case hazard.Low:
		return c.Pager.Routes.Low
	}
	return c.Pager.Routes.High
}

// Machine finds the machine to which a name on a ticket or signal belongs: one
// of its device ids, or its own name where no other site has the same.
func (c *Config) Machine(deviceID string) (site, machine string, ok bool) {
	var found []Machine
	for _, m := range c.Machines {
		if slices.Contains(m.DeviceIDs, deviceID) {
			return m.Site, m.Name, true
		}
		if m.Name == deviceID {
			found = append(found, m)
		}
	}
	if len(found) != 1 {
		return "", "", false
	}
	return found[0].Site, found[0].Name, true
}

// lookAround notes what is allowed but worth a look.
func (c *Config) lookAround() {
	for _, m := range c.Machines {
		if keys := m.unmeasured(); len(keys) > 0 {
			c.warn("machine %s/%s is not measured (%s): it is judged with careful guesses, and every run on it is told to be not known", m.Site, m.Name, strings.Join(keys, ", "))
		}
	}
	c.Warnings = append(c.Warnings, c.Doubts()...)
	for _, name := range c.Pager.channels() {
		routes := slices.Concat(c.Pager.Routes.High, c.Pager.Routes.Medium, c.Pager.Routes.Low)
		// An Alertmanager is told of standing alarms without any route.
		if (name == mailChannel || name == webhookChannel) && !slices.Contains(routes, name) {
			c.warn("pager.%s is set and no route names it: nobody is told by it", name)
		}
	}
	if c.NATS.URL == "" && !c.NATS.SyncAlways {
		c.warn("nats.sync_always is false: the last events before a power cut can be lost")
	}
	if c.unused() {
		c.warn("nats.server_tls, nats.mqtt and nats.users are for the built-in server, which nats.url leaves out: set them at that server")
	}
	if text := c.NATS.shortKeep(); text != "" {
		c.warn("%s", text)
	}
	c.noteSources()
	c.warnIfOpen("nats.credentials_file", c.Path(c.NATS.CredentialsFile))
	c.warnIfOpen("nats.tls.key_file", c.Path(c.NATS.TLS.KeyFile))
	c.warnIfOpen("nats.server_tls.key_file", c.Path(c.NATS.ServerTLS.KeyFile))
	c.warnIfOpen("http.tls.key_file", c.Path(c.HTTP.TLS.KeyFile))
	if !c.HTTP.login() && (c.HTTP.BehindProxy || c.HTTP.PublicURL != "") {
		c.warn("nobody has to log in: whoever the proxy at http.public_url lets through can do everything; set http.users unless the proxy asks for a login itself")
	}
	if host, _, err := net.SplitHostPort(c.HTTP.Listen); err == nil && c.HTTP.PublicURL == "" && slices.Contains([]string{"", "0.0.0.0", "::"}, host) {
		c.warn("http.public_url is not set: the links in pages lead to %s, which nobody can open", c.PublicURL())
	}
}

// DataFolder is where the watch keeps what must survive a restart.
func (c *Config) DataFolder() string { return filepath.Clean(c.Path(c.Data.Folder)) }
