package desk

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/event"
)

// maxBody is the largest request body, in bytes. It is ample for any entry.
const maxBody = 16 << 10

// The media types of a request.
const (
	jsonType = "application/json"
	formType = "application/x-www-form-urlencoded"
)

// values are the members of a request by name; those of a JSON object within it
// stand after a dot, as in fields.by_mm.
type values map[string]value

// value is what one member holds, as it was sent.
type value struct {
	texts []string      // one, or each of a list
	kind  jsontext.Kind // of JSON, typed or mixed
}

// The kinds that JSON has not: a text of a form, which may stand for anything,
// and a list that does not hold texts only.
const (
	typed jsontext.Kind = '='
	mixed jsontext.Kind = '*'
)

// text returns the only text of a value, empty when there is none.
func (v values) text(name string) string {
	if texts := v[name].texts; len(texts) == 1 {
		return texts[0]
	}
	return ""
}

// The members of a request that hold other members, or nothing for the event.
const (
	fieldsPrefix = "fields." // in JSON
	formPrefix   = "field."  // in a form
	unitPrefix   = "unit."   // in a form: the unit of a field, as the page shows it
	runName      = "run"     // in a form: the run that was chosen from a list
	backName     = "back"    // in a form: where it returns to
)

// read takes in the body of a request by its media type.
func (q *request) read(w http.ResponseWriter) error {
	media, params, err := mime.ParseMediaType(q.Header.Get("Content-Type"))
	charset := strings.ToLower(params["charset"])
	encoding := strings.ToLower(q.Header.Get("Content-Encoding"))
	switch {
	case err != nil || media != jsonType && media != formType:
		w.Header().Set("Accept", jsonType+", "+formType) // RFC 9110, section 15.5.16
		return refusal{http.StatusUnsupportedMediaType, "want " + jsonType + " or " + formType}
	case charset != "" && charset != "utf-8":
		return refusal{http.StatusUnsupportedMediaType, "want text in UTF-8"}
	case encoding != "" && encoding != "identity":
		w.Header().Set("Accept-Encoding", "identity")
		return refusal{http.StatusUnsupportedMediaType, "want a body that is not compressed"}
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, q.Body, maxBody))
	if _, large := errors.AsType[*http.MaxBytesError](err); large {
		return refusal{http.StatusRequestEntityTooLarge, fmt.Sprintf("want at most %d bytes", maxBody)}
	}
	if err != nil {
		return refusal{http.StatusBadRequest, "the body did not arrive whole: send it again"}
	}
	if q.form {
		return q.readForm(body)
	}
	q.values, err = readJSON(body)
	return err
}

// isForm reports whether a form was sent, however little of it can be read: then
// a person waits for a page.
func isForm(r *http.Request) bool {
	media, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return media == formType
}

// readJSON reads one JSON object. Names that come twice, text that is not UTF-8,
// and anything after the object are refused.
func readJSON(body []byte) (values, error) {
	v := values{}
	d := jsontext.NewDecoder(bytes.NewReader(body))
	if d.PeekKind() != '{' {
		if _, err := d.ReadValue(); err != nil {
			return nil, malformed(d, err)
		}
		return nil, refusal{http.StatusBadRequest, "want a JSON object"}
	}
	if err := v.readObject(d, ""); err != nil {
		return nil, malformed(d, err)
	}
	if _, err := d.ReadToken(); err != io.EOF {
		return nil, refusal{http.StatusBadRequest, "want one JSON object and nothing after it"}
	}
	return v, nil
}

func malformed(d *jsontext.Decoder, err error) error {
	want := "want well-formed JSON in UTF-8"
	if errors.Is(err, jsontext.ErrDuplicateName) {
		want = "want each name once"
	}
	return refusal{http.StatusBadRequest, fmt.Sprintf("%s: %s at byte %d", want, plain(err.Error()), d.InputOffset())}
}

// plain keeps what a message may quote from a body fit for one line.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, text)
}

// readObject reads an object's members under a prefix. Objects may stand in the
// outermost one only; deeper ones are passed over, and refused by their kind.
func (v values) readObject(d *jsontext.Decoder, prefix string) error {
	if _, err := d.ReadToken(); err != nil {
		return err
	}
	for d.PeekKind() != '}' {
		name, err := d.ReadToken()
		if err != nil {
			return err
		}
		path := prefix + outer(name.String(), prefix)
		switch kind := d.PeekKind(); {
		case kind == '{' && path+"." == fieldsPrefix:
			err = v.readObject(d, fieldsPrefix)
		case kind == '[':
			v[path], err = readList(d)
		case kind == '{':
			v[path], err = value{kind: kind}, d.SkipValue()
		default:
			v[path], err = readScalar(d)
		}
		if err != nil {
			return err
		}
	}
	_, err := d.ReadToken()
	return err
}

// outer keeps a name of the outermost object from passing for one within: it
// would be a second way to name the same thing.
func outer(name, prefix string) string {
	if prefix == "" && strings.HasPrefix(name, fieldsPrefix) {
		return strconv.Quote(name)
	}
	return name
}

func readScalar(d *jsontext.Decoder) (value, error) {
	token, err := d.ReadToken()
	if err != nil {
		return value{}, err
	}
	return value{[]string{token.String()}, token.Kind()}, nil
}

// readList reads a list of texts. One that holds anything else is mixed.
func readList(d *jsontext.Decoder) (value, error) {
	list := value{kind: '['}
	if _, err := d.ReadToken(); err != nil {
		return list, err
	}
	for d.PeekKind() != ']' {
		if d.PeekKind() != '"' {
			list.kind = mixed
			if err := d.SkipValue(); err != nil {
				return list, err
			}
			continue
		}
		token, err := d.ReadToken()
		if err != nil {
			return list, err
		}
		list.texts = append(list.texts, token.String())
	}
	_, err := d.ReadToken()
	return list, err
}

// readForm reads a form. A field that was left empty is absent, and lines end as
// they do in JSON.
func (q *request) readForm(body []byte) error {
	form, err := url.ParseQuery(string(body))
	if err != nil {
		return refusal{http.StatusBadRequest, "want a well-formed form: " + plain(err.Error())}
	}
	q.PostForm = form
	q.values = values{}
	for name, texts := range form {
		if !utf8.ValidString(name) || !utf8.ValidString(strings.Join(texts, "")) {
			return refusal{http.StatusBadRequest, "want text in UTF-8"}
		}
		if rest, ok := strings.CutPrefix(name, formPrefix); ok {
			name = fieldsPrefix + rest
		} else {
			name = outer(name, "")
		}
		texts = slices.DeleteFunc(slices.Clone(texts), func(t string) bool { return t == "" })
		for i := range texts {
			texts[i] = strings.ReplaceAll(texts[i], "\r\n", "\n")
		}
		if len(texts) > 0 {
			q.values[name] = value{append(q.values[name].texts, texts...), typed}
		}
	}
	q.values.addUnits(form)
	q.values.addRun()
	return q.readBack()
}

// addUnits puts behind each bare number of a form the unit that its page showed
// beside it, as in unit.by_mm=in. The unit of a field that the form has not is
// an unknown name like any other.
func (v values) addUnits(form url.Values) {
	for name, units := range form {
		field, ok := strings.CutPrefix(name, unitPrefix)
		if !ok || len(units) != 1 || !form.Has(formPrefix+field) {
			continue
		}
		delete(v, name)
		one := v[fieldsPrefix+field]
		if len(one.texts) == 1 && strings.Trim(one.texts[0], "+-.,0123456789 ") == "" && !one.isEmpty() {
			one.texts[0] += " " + units[0]
		}
	}
}

// addRun takes the job and the part of a run that was chosen from a list, as in
// run=job=KL-1&part=A, a query in a form. A job that was typed counts instead.
func (v values) addRun() {
	run, err := url.ParseQuery(v.text(runName))
	job, part := run["job"], run["part"]
	if err != nil || len(job) != 1 || len(part) > 1 || len(job)+len(part) != len(run) || !utf8.ValidString(job[0]+strings.Join(part, "")) {
		return // an unknown name like any other
	}
	delete(v, runName)
	if _, told := v[fieldsPrefix+"job"]; told {
		return
	}
	for name, texts := range run {
		v[fieldsPrefix+name] = value{texts, typed}
	}
}

// thousands are texts in which three digits follow the only comma: 1,365 is a good metre
// of film to some, and little more than a millimetre to others.
var thousands = regexp.MustCompile(`^\s*([-+]?[1-9][0-9]{0,2}),([0-9]{3})\s*([^0-9.,].*)?$`)

// eitherNumber is the fault of a number that may be either.
func eitherNumber(text string) *event.Fault {
	m := thousands.FindStringSubmatch(text)
	if m == nil {
		return nil
	}
	return &event.Fault{Want: fmt.Sprintf("%s.%s or %s%s, since the comma may stand for either", m[1], m[2], m[1], m[2]), Got: shown(text)}
}

// point writes the comma of a decimal as a point. Two of them, or one beside a
// point, may mean thousands, and are left for the reader of numbers to refuse.
func point(text string) string {
	if strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		return strings.Replace(text, ",", ".", 1)
	}
	return text
}

// readBack takes the place that a form returns to, the start page if it names
// none. It must be a path on this server: anything that a browser could read as
// the address of another one is refused.
func (q *request) readBack() error {
	back := "/"
	if v, ok := q.values[backName]; ok {
		back = strings.Join(v.texts, " ")
		delete(q.values, backName)
	}
	if !isLocal(back) {
		return refusal{http.StatusBadRequest, "back: want a path on this server, such as /floor/heron"}
	}
	q.back = back
	return nil
}

// isLocal reports whether a browser can take a reference only for a path on the
// server that it came from. Browsers read \ as /, drop tabs and line ends, and
// take what follows // for a host (WHATWG URL Standard, "URL parsing").
func isLocal(ref string) bool {
	if !strings.HasPrefix(ref, "/") || strings.Contains(ref, "//") || strings.Contains(ref, `\`) {
		return false
	}
	if strings.ContainsFunc(ref, func(r rune) bool { return r <= ' ' || r >= 0x7f }) {
		return false
	}
	u, err := url.Parse(ref)
	return err == nil && u.Scheme == "" && u.Host == "" && u.User == nil
}
