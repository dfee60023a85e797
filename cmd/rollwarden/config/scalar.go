package config

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/hint"
)

// Bytes is an amount of storage.
type Bytes int64

// byteUnits are the binary prefixes of IEC 80000-13 and the decimal ones of
// the SI, largest first within each.
var byteUnits = []struct {
	name string
	size uint64
}{
	{"PiB", 1 << 50}, {"TiB", 1 << 40}, {"GiB", 1 << 30}, {"MiB", 1 << 20}, {"KiB", 1 << 10},
	{"PB", 1e15}, {"TB", 1e12}, {"GB", 1e9}, {"MB", 1e6}, {"kB", 1e3}, {"B", 1},
}

// UnmarshalText reads a whole number with a unit, such as 4GiB.
func (b *Bytes) UnmarshalText(text []byte) error {
	s := string(text)
	for _, u := range byteUnits {
		number, ok := strings.CutSuffix(s, u.name)
		if !ok {
			continue
		}
		n, err := strconv.ParseUint(strings.TrimSpace(number), 10, 63)
		high, low := bits.Mul64(n, u.size)
		if err != nil || high != 0 || low > math.MaxInt64 {
			break
		}
		*b = Bytes(low)
		return nil
	}
	return errors.New("a whole number with a unit such as 512MiB or 4GiB")
}

// String writes the amount with the largest binary unit that divides it.
func (b Bytes) String() string {
	for _, u := range byteUnits[:5] {
		if b != 0 && uint64(b)%u.size == 0 {
			return fmt.Sprintf("%d%s", uint64(b)/u.size, u.name)
		}
	}
	return fmt.Sprintf("%dB", int64(b))
}

// Decimal is an amount of money as it was written, so that no digit is lost.
// The empty Decimal means that no amount is known.
type Decimal string

var decimal = regexp.MustCompile(`^[0-9]{1,12}(\.[0-9]{1,6})?$`)

// UnmarshalText reads a number of 0 or more with a decimal point.
func (d *Decimal) UnmarshalText(text []byte) error {
	if !decimal.Match(text) {
		return errors.New("an amount of 0 or more such as 1.20, without a currency")
	}
	*d = Decimal(text)
	return nil
}

// mismatch says what was expected instead of a text, and with a likely slip
// what was probably meant.
type mismatch struct{ want, meant string }

func (m *mismatch) Error() string { return m.want + m.meant }

func wanted(want string) error { return &mismatch{want: want} }

var (
	durationType = reflect.TypeFor[time.Duration]()
	bytesType    = reflect.TypeFor[Bytes]()
	decimalType  = reflect.TypeFor[Decimal]()
	secretType   = reflect.TypeFor[Secret]()
	classType    = reflect.TypeFor[event.Class]()
)

// scalar reports whether a type is one value in the file.
func scalar(t reflect.Type) bool {
	switch {
	case t == secretType:
		return true
	case t.Kind() == reflect.Pointer:
		return scalar(t.Elem())
	}
	switch t.Kind() {
	case reflect.String, reflect.Bool, reflect.Int, reflect.Int64, reflect.Float64:
		return true
	}
	return false
}

// assign reads text into a scalar and notes what is wrong with it.
func (p *problems) assign(path string, v reflect.Value, tag reflect.StructTag, text string) {
	if m, ok := errors.AsType[*mismatch](assign(v, tag, text)); ok {
		p.unlike(path, m.want, quote(text)+m.meant)
	}
}

// assign reads text into a scalar. The tag holds its limits; the error says
// what is expected and is a *mismatch.
func assign(v reflect.Value, tag reflect.StructTag, text string) error {
	switch v.Type() {
	case secretType:
		v.Set(reflect.ValueOf(NewSecret(text)))
		return nil
	case durationType:
		return assignDuration(v, tag, text)
	case bytesType:
		return assignBytes(v, tag, text)
	case decimalType:
		var d Decimal
		if err := d.UnmarshalText([]byte(text)); err != nil {
			return wanted(err.Error())
		}
		v.Set(reflect.ValueOf(d))
		return nil
	case classType:
		return assignWord(v, classNames(), text)
	}
	switch v.Kind() {
	case reflect.Pointer:
		p := reflect.New(v.Type().Elem())
		if err := assign(p.Elem(), tag, text); err != nil {
			return err
		}
		v.Set(p)
		return nil
	case reflect.Bool:
		return assignBool(v, text)
	case reflect.Int:
		return assignInt(v, tag, text)
	case reflect.Float64:
		return assignFloat(v, tag, text)
	}
	if words := tag.Get("enum"); words != "" {
		return assignWord(v, strings.Split(words, ","), text)
	}
	v.SetString(text)
	return nil
}

func classNames() []string {
	names := make([]string, len(event.Classes))
	for i, c := range event.Classes {
		names[i] = string(c)
	}
	return names
}

func assignWord(v reflect.Value, words []string, text string) error {
	for _, w := range words {
		if w == text {
			v.SetString(text)
			return nil
		}
	}
	return &mismatch{"one of " + strings.Join(words, ", "), hint.DidYouMean(text, words)}
}

func assignBool(v reflect.Value, text string) error {
	if text != "true" && text != "false" {
		return wanted("true or false")
	}
	v.SetBool(text == "true")
	return nil
}

func assignInt(v reflect.Value, tag reflect.StructTag, text string) error {
	low, _ := strconv.Atoi(tag.Get("min"))
	high, _ := strconv.Atoi(tag.Get("max"))
	n, err := strconv.Atoi(text)
	if err != nil || n < low || n > high {
		return wanted(fmt.Sprintf("a whole number from %d to %d", low, high))
	}
	v.SetInt(int64(n))
	return nil
}

func assignFloat(v reflect.Value, tag reflect.StructTag, text string) error {
	low, _ := strconv.ParseFloat(tag.Get("min"), 64)
	high, _ := strconv.ParseFloat(tag.Get("max"), 64)
	n, err := strconv.ParseFloat(text, 64)
	if err != nil || !(n >= low && n <= high) { // written so that NaN is refused
		return wanted(fmt.Sprintf("a number from %s to %s", tag.Get("min"), tag.Get("max")))
	}
	v.SetFloat(n)
	return nil
}

func assignDuration(v reflect.Value, tag reflect.StructTag, text string) error {
	low, _ := time.ParseDuration(tag.Get("min"))
	high, _ := time.ParseDuration(tag.Get("max"))
	d, err := time.ParseDuration(text)
	if err != nil || d < low || d > high {
		return wanted(fmt.Sprintf("a time from %s to %s with its unit, such as 90s, 2m or 12h", tag.Get("min"), tag.Get("max")))
	}
	v.SetInt(int64(d))
	return nil
}

func assignBytes(v reflect.Value, tag reflect.StructTag, text string) error {
	var low, high, b Bytes
	// Tags are right: a test reads every one of them.
	_ = low.UnmarshalText([]byte(tag.Get("min")))
	_ = high.UnmarshalText([]byte(tag.Get("max")))
	if err := b.UnmarshalText([]byte(text)); err != nil {
		return wanted(err.Error())
	}
	if b < low || b > high {
		return wanted(fmt.Sprintf("%s to %s", low, high))
	}
	v.SetInt(int64(b))
	return nil
}
