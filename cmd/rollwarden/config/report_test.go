package config

import (
	"path/filepath"
	"testing"
)

func TestReport(t *testing.T) {
	c := load(t, "shop: {language: de}\nreport: {formats: [pdf, json], folder: /srv/reports, mail_to: [office@kestrel.test]}\n"+
		"pager: {mail: {host: smtp.kestrel.test, from: floor@kestrel.test, to: [crew@kestrel.test]}}\n")
	if c.ReportFolder() != "/srv/reports" || len(c.Report.Formats) != 2 || c.ReportLanguage() != "de" {
		t.Errorf("%s %v", c.ReportFolder(), c.Report)
	}
	if mail, err := c.ReportMail(nil); err != nil || mail == nil {
		t.Errorf("want a mail, got %v, %v", mail, err)
	}
	c = load(t, "{}")
	if c.ReportFolder() != filepath.Join(c.DataFolder(), "reports") || c.ReportLanguage() != "en" {
		t.Errorf("by default in %s, in %s", c.ReportFolder(), c.ReportLanguage())
	}
	if mail, err := c.ReportMail(nil); err != nil || mail != nil {
		t.Errorf("nobody is to get it: got %v, %v", mail, err)
	}
}
