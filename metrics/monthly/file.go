package monthly

import (
	"io"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/reliability"
)

// File is the report as JSON. deploy/report.schema.json describes it.
type File struct {
	Version            int    `json:"version"` // of this form; 1
	Month              string `json:"month"`   // such as 2026-03
	Shop               string `json:"shop,omitzero"`
	Site               string `json:"site,omitzero"` // absent for all sites
	reliability.Report        // all of it
}

// fileVersion changes when a program that reads the file would have to.
const fileVersion = 1

func writeJSON(w io.Writer, e *Edition) error {
	f := File{Version: fileVersion, Month: e.Month.String(), Shop: e.Shop, Site: e.Site, Report: e.Report}
	return json.MarshalWrite(w, &f, json.Deterministic(true), jsontext.WithIndent("  "), jsontext.AllowInvalidUTF8(true))
}
