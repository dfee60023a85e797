package config

import (
	"cmp"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"rollwarden/watcher/pager"
)

func (c *Config) checkReport(p *problems) {
	for i, format := range c.Report.Formats {
		if slices.Index(c.Report.Formats, format) < i {
			p.bad(fmt.Sprintf("report.formats[%d]", i), "each format once", format)
		}
	}
	for i, to := range c.Report.MailTo {
		checkAddress(p, fmt.Sprintf("report.mail_to[%d]", i), to)
	}
	if len(c.Report.MailTo) > 0 && c.Pager.Mail.Host == "" {
		p.missing("pager.mail.host", "the mail server by which report.mail_to is reached")
	}
}

// ReportFolder is where the reports of months are written.
func (c *Config) ReportFolder() string {
	if c.Report.Folder == "" {
		return filepath.Join(c.DataFolder(), "reports")
	}
	return filepath.Clean(c.Path(c.Report.Folder))
}

// ReportLanguage is the language of what is written and mailed.
func (c *Config) ReportLanguage() string { return cmp.Or(c.Shop.Language, "en") }

// MonthStates is where the states are kept at which months begin.
func (c *Config) MonthStates() string { return filepath.Join(c.DataFolder(), "months") }

// ReportMail is the mail by which reports go out; nil when nobody gets one.
func (c *Config) ReportMail(now func() time.Time) (*pager.Email, error) {
	if len(c.Report.MailTo) == 0 {
		return nil, nil
	}
	o := c.Pager.Mail.options()
	o.Name, o.To, o.Now = "report", c.Report.MailTo, now
	mail, err := pager.NewEmail(o)
	if err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	return mail, nil
}
