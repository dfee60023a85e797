package command

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/strip"
	"rollwarden/rules/hint"
)

type stripCommand struct {
	Machine  string   `help:"Machine that prints it, as name or site/name." predictor:"machine"`
	Stock    string   `help:"Stock code that it is printed on." predictor:"stock"`
	WidthMM  *float64 `name:"width-mm" help:"Width of the roll; the stock's when absent, else the machine's widest."`
	LengthMM float64  `name:"length-mm" help:"Longest known length along the roll." default:"1000"`
	Out      string   `help:"File to write, as .pdf or .svg." default:"strip.pdf" type:"path"`
}

// Run draws a control strip and says how to tell what it measures.
func (s stripCommand) Run(e *env) error {
	cfg, err := e.load()
	if err != nil {
		return err
	}
	width, err := s.width(cfg)
	if err != nil {
		return usageError{err}
	}
	sheet, err := strip.New(strip.Options{WidthMM: width, LengthMM: s.LengthMM, Texts: strip.English(s.Machine, s.Stock)})
	if err != nil {
		return usageError{err}
	}
	data, err := s.draw(sheet, time.Now())
	if err != nil {
		return err
	}
	if err := create(s.Out, data); err != nil {
		return err
	}
	d := s.document(sheet)
	return e.answer(d, func(w io.Writer) error { return s.tell(w, d) })
}

// width is that of the roll to print on.
func (s stripCommand) width(cfg *config.Config) (mm float64, err error) {
	machine, err := find(cfg.Machines, "machine", s.Machine, asTyped(s.Machine))
	if err != nil {
		return 0, err
	}
	stock, err := find(cfg.Stocks, "stock", s.Stock, func(k config.Stock) string { return k.Code })
	if err != nil {
		return 0, err
	}
	for _, known := range []*float64{s.WidthMM, stock.WidthMM, machine.MaxWidthMM} {
		if known != nil {
			return *known, nil
		}
	}
	return 0, errors.New("the width of the roll is not known: give --width-mm, or a --stock or --machine whose width is in the configuration")
}

// find looks a name up in a list of the configuration; an empty one is nothing.
func find[T any](list []T, what, name string, nameOf func(T) string) (found T, err error) {
	if name == "" {
		return found, nil
	}
	var names []string
	for _, x := range list {
		if nameOf(x) == name {
			return x, nil
		}
		names = append(names, nameOf(x))
	}
	slices.Sort(names)
	names = slices.Compact(names) // machines share a site
	return found, fmt.Errorf("--%s: no %s %q in the configuration%s (want one of %s)", what, what, name, hint.DidYouMean(name, names), strings.Join(names, ", "))
}

func (s stripCommand) draw(sheet *strip.Sheet, now time.Time) ([]byte, error) {
	var b bytes.Buffer
	var err error
	switch ext := strings.ToLower(filepath.Ext(s.Out)); ext {
	case ".pdf":
		err = sheet.PDF(&b, now)
	case ".svg":
		err = sheet.SVG(&b)
	default:
		err = usageError{fmt.Errorf("--out: want a file that ends in .pdf or .svg, got %q", filepath.Base(s.Out))}
	}
	return b.Bytes(), err
}

// create writes a new file and leaves one that is there alone.
func create(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already: give another name with --out", path)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Close())
}

// stripDocument is the strip that was drawn.
type stripDocument struct {
	File     string           `json:"file" jsonschema:"what was written"`
	WidthMM  float64          `json:"width_mm"`
	HeightMM float64          `json:"height_mm" jsonschema:"along the roll"`
	Lengths  []lengthDocument `json:"lengths" jsonschema:"to measure and to send as strip.measured"`
}

type lengthDocument struct {
	Axis      string  `json:"axis" jsonschema:"as strip.measured has it"`
	NominalMM float64 `json:"nominal_mm"`
}

func (s stripCommand) document(sheet *strip.Sheet) stripDocument {
	d := stripDocument{File: s.Out, WidthMM: sheet.WidthMM, HeightMM: sheet.HeightMM}
	for _, l := range sheet.Lengths {
		one := lengthDocument{string(l.Axis), l.MM}
		if !slices.Contains(d.Lengths, one) { // two lengths of a kind are told in the same way
			d.Lengths = append(d.Lengths, one)
		}
	}
	return d
}

// tell says what to do next.
func (s stripCommand) tell(w io.Writer, d stripDocument) error {
	fmt.Fprintf(w, "wrote %s: %g x %g mm\n", filepath.Base(s.Out), d.WidthMM, d.HeightMM)
	fmt.Fprintln(w, "Print it at 100 %, cure it, let it cool down, and cut it off. Measure with the machine stopped and the film cold.")
	fmt.Fprintln(w, "Then tell each length that you measured, with the cure and the passes it was printed with:")
	machine, stock := or(s.Machine, "MACHINE"), or(s.Stock, "STOCK")
	for _, l := range d.Lengths {
		fmt.Fprintf(w, "  rollwarden send strip.measured %s stock=%s axis=%s nominal_mm=%g measured_mm=... cure_c=... passes=...\n", machine, stock, l.Axis, l.NominalMM)
	}
	_, err := fmt.Fprintln(w, "Three lengths on each axis at two cure temperatures are the least to learn from.")
	return err
}
