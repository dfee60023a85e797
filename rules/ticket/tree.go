package ticket

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
)

// The schema namespaces without their minor version. Letter case is not
// significant in what real tickets write.
const (
	xjdfSpace = "http://www.CIP4.org/JDFSchema_2"
	jdfSpace  = "http://www.CIP4.org/JDFSchema_1"
)

const (
	xmlSpace      = "http://www.w3.org/XML/1998/namespace"
	xmlnsSpace    = "http://www.w3.org/2000/xmlns/"
	xincludeSpace = "http://www.w3.org/2001/XInclude"
)

// family is the standard that a namespace belongs to.
type family int

const (
	foreignFamily family = iota
	xjdfFamily
	jdfFamily
)

func familyOf(space string) family {
	s := strings.ToLower(space)
	switch {
	case strings.HasPrefix(s, strings.ToLower(xjdfSpace)):
		return xjdfFamily
	case s == strings.ToLower(jdfSpace), s == strings.ToLower(jdfSpace)+"_1":
		return jdfFamily
	}
	return foreignFamily
}

// node is one element. Attributes without a namespace are the standard's own;
// the others are foreign and never stand in for them.
type node struct {
	space, local string
	line         int
	attrs        []attr // no namespace
	foreign      []attr // with a namespace
	kids         []*node
	parent       *node
	own          bool // the element belongs to the standard of the root
}

type attr struct{ space, local, value string }

// get returns an attribute without namespace, without the white space around
// it, or "".
func (n *node) get(local string) string {
	v, _ := n.lookup(local)
	return v
}

func (n *node) lookup(local string) (string, bool) {
	for _, a := range n.attrs {
		if a.local == local {
			return strings.TrimSpace(a.value), true
		}
	}
	return "", false
}

// children returns the child elements of the standard with one name.
func (n *node) children(local string) []*node {
	var out []*node
	for _, k := range n.kids {
		if k.own && k.local == local {
			out = append(out, k)
		}
	}
	return out
}

// child returns the first of children, or an empty node that is safe to ask.
func (n *node) child(local string) *node {
	for _, k := range n.kids {
		if k.own && k.local == local {
			return k
		}
	}
	return &node{local: local, parent: n, line: n.line}
}

// find returns all descendants of the standard with one name, and n itself if
// it has it, in the order of the text. It does not look inside foreign
// elements, whose meaning is not known.
func (n *node) find(local string) []*node {
	var out []*node
	n.walk(func(k *node) bool {
		if k.own && k.local == local {
			out = append(out, k)
		}
		return k.own
	})
	return out
}

// walk visits n and its descendants; visit returns false to skip the children.
func (n *node) walk(visit func(*node) bool) {
	if !visit(n) {
		return
	}
	for _, k := range n.kids {
		k.walk(visit)
	}
}

// path names an attribute by its element and the element's parent.
func (n *node) path(attribute string) string {
	p := n.local
	if n.parent != nil {
		p = n.parent.local + "/" + p
	}
	if attribute == "" {
		return p
	}
	return p + "/@" + attribute
}

// fault blames an attribute of the element.
func (n *node) fault(attribute, kind, want, got string) *Error {
	return &Error{Line: n.line, Field: n.path(attribute), Kind: kind, Want: want, Got: got}
}

// missing says that an attribute has to be there.
func (n *node) missing(attribute, want string) *Error {
	return n.fault(attribute, missingField, want, "")
}

// bad says that an attribute holds the wrong thing.
func (n *node) bad(attribute, want string) *Error {
	return n.fault(attribute, badValue, want, quote(n.get(attribute)))
}

// treeBuilder turns the tokens of encoding/xml into nodes. It reads raw tokens
// and resolves namespaces itself, because the decoder lets pass what a ticket
// must not have: an undeclared prefix, a second root, an unused DOCTYPE, an
// attribute that is there twice.
type treeBuilder struct {
	dec    *xml.Decoder
	root   *node
	open   []openElement
	tokens int
	line   int // where the token began
}

type openElement struct {
	node   *node
	name   xml.Name // as written, prefix and local
	spaces *binding
}

// binding is one namespace declaration in a chain of those in scope.
type binding struct {
	prefix, space string
	outer         *binding
}

func (b *binding) lookup(prefix string) (string, bool) {
	for ; b != nil; b = b.outer {
		if b.prefix == prefix {
			return b.space, true
		}
	}
	return "", prefix == ""
}

// parseXML reads a text in UTF-8 into a tree.
func parseXML(text []byte) (*node, error) {
	if err := checkSize(text); err != nil {
		return nil, err
	}
	b := &treeBuilder{dec: xml.NewDecoder(bytes.NewReader(text)), line: 1}
	// The text is in UTF-8 by now, whatever its declaration still says.
	b.dec.CharsetReader = func(_ string, in io.Reader) (io.Reader, error) { return in, nil }
	for {
		b.line, _ = b.dec.InputPos()
		offset := b.dec.InputOffset()
		tok, err := b.dec.RawToken()
		if err == io.EOF {
			return b.finish()
		}
		if err != nil {
			return nil, b.syntax(err)
		}
		if err := b.token(tok, offset); err != nil {
			return nil, err
		}
	}
}

// checkSize counts tags and attributes before the decoder, which would hold
// all attributes of a tag in memory before anyone could count them.
func checkSize(text []byte) error {
	if n := max(bytes.Count(text, []byte("<")), bytes.Count(text, []byte("="))); n > MaxTokens {
		return tooMany(n)
	}
	return nil
}

func tooMany(n int) error {
	return &Error{Field: "file", Kind: tooLarge, Want: fmt.Sprintf("at most %d elements, attributes and texts", MaxTokens), Got: fmt.Sprintf("%d or more", n)}
}

func (b *treeBuilder) syntax(err error) error {
	e := &Error{Line: b.line, Field: "XML", Kind: malformed, Want: "well-formed XML", Got: err.Error()}
	var syn *xml.SyntaxError
	if errors.As(err, &syn) {
		e.Line, e.Got = syn.Line, syn.Msg
		if syn.Msg == "unexpected EOF" {
			return b.cutShort()
		}
	}
	return e
}

func (b *treeBuilder) cutShort() error {
	line, _ := b.dec.InputPos()
	want := "a root element"
	if n := len(b.open); n > 0 {
		want = "</" + written(b.open[n-1].name) + ">"
	}
	return &Error{Line: line, Field: "XML", Kind: incomplete, Incomplete: true, Want: want, Got: "the end of the file"}
}

func (b *treeBuilder) finish() (*node, error) {
	if b.root == nil || len(b.open) > 0 {
		return nil, b.cutShort()
	}
	fam := familyOf(b.root.space)
	b.root.walk(func(n *node) bool {
		n.own = fam != foreignFamily && familyOf(n.space) == fam
		return true
	})
	return b.root, nil
}

func (b *treeBuilder) token(tok xml.Token, offset int64) error {
	if b.tokens++; b.tokens > MaxTokens {
		return tooMany(b.tokens)
	}
	switch t := tok.(type) {
	case xml.StartElement:
		return b.start(t)
	case xml.EndElement:
		return b.end(t.Name)
	case xml.CharData:
		if len(b.open) == 0 && !blank(string(t)) {
			return b.fault(malformed, "nothing but one root element", "text outside of it")
		}
	case xml.Directive:
		return b.fault(forbidden, "no DOCTYPE and no other declaration, because entities can hide anything", "<!"+quoteHead(t))
	case xml.ProcInst:
		if t.Target == "xml" && offset != 0 {
			return b.fault(malformed, "the XML declaration at the very start of the file", "one further down")
		}
	}
	return nil
}

func (b *treeBuilder) fault(kind, want, got string) error {
	return &Error{Line: b.line, Field: "XML", Kind: kind, Want: want, Got: got}
}

func quoteHead(d xml.Directive) string {
	word, _, _ := strings.Cut(string(d[:min(len(d), 20)]), " ")
	return word
}

func (b *treeBuilder) start(t xml.StartElement) error {
	if b.root != nil && len(b.open) == 0 {
		return b.fault(malformed, "one root element", "a second one, <"+written(t.Name)+">")
	}
	if len(b.open) == MaxDepth {
		return b.fault(tooLarge, fmt.Sprintf("elements nested at most %d deep", MaxDepth), "deeper ones")
	}
	if b.tokens += len(t.Attr); b.tokens > MaxTokens {
		return tooMany(b.tokens)
	}
	spaces, err := b.declare(t.Attr)
	if err != nil {
		return err
	}
	n, err := b.element(t, spaces)
	if err != nil {
		return err
	}
	b.attach(n)
	b.open = append(b.open, openElement{n, t.Name, spaces})
	return nil
}

func (b *treeBuilder) attach(n *node) {
	if len(b.open) == 0 {
		b.root = n
		return
	}
	n.parent = b.open[len(b.open)-1].node
	n.parent.kids = append(n.parent.kids, n)
}

// declare adds the namespace declarations of a tag to those in scope.
func (b *treeBuilder) declare(attrs []xml.Attr) (*binding, error) {
	spaces := &binding{prefix: "xml", space: xmlSpace}
	if n := len(b.open); n > 0 {
		spaces = b.open[n-1].spaces
	}
	for _, a := range attrs {
		prefix, ok := declaration(a.Name)
		if !ok {
			continue
		}
		if prefix != "" && a.Value == "" || prefix == "xmlns" || a.Value == xmlnsSpace || (prefix == "xml") != (a.Value == xmlSpace) {
			return nil, b.fault(malformed, "a namespace declaration that Namespaces in XML 1.0 allows", written(a.Name)+"="+quote(a.Value))
		}
		spaces = &binding{prefix, a.Value, spaces}
	}
	return spaces, nil
}

// declaration returns the prefix that xmlns:prefix or xmlns declares.
func declaration(name xml.Name) (prefix string, ok bool) {
	if name.Space == "xmlns" {
		return name.Local, true
	}
	return "", name.Space == "" && name.Local == "xmlns"
}

func (b *treeBuilder) element(t xml.StartElement, spaces *binding) (*node, error) {
	space, err := b.resolve(t.Name, spaces)
	if err != nil {
		return nil, err
	}
	if space == xincludeSpace {
		return nil, b.fault(forbidden, "a ticket that is whole in itself", "an XInclude of something else")
	}
	n := &node{space: space, local: t.Name.Local, line: b.line}
	seen := make(map[xml.Name]bool, len(t.Attr))
	for _, a := range t.Attr {
		key := a.Name
		if prefix, ok := declaration(a.Name); ok {
			key = xml.Name{Space: xmlnsSpace, Local: prefix}
		} else if err := b.attribute(n, a, spaces, &key); err != nil {
			return nil, err
		}
		if seen[key] {
			return nil, b.fault(malformed, "each attribute once", "attribute "+quote(written(a.Name))+" of <"+written(t.Name)+"> twice")
		}
		seen[key] = true
	}
	return n, nil
}

// attribute stores one attribute and gives back its resolved name. The
// default namespace does not apply to attributes.
func (b *treeBuilder) attribute(n *node, a xml.Attr, spaces *binding, key *xml.Name) error {
	if a.Name.Space == "" {
		if strings.Contains(a.Name.Local, ":") {
			return b.fault(malformed, "a name with at most one colon inside", quote(a.Name.Local))
		}
		n.attrs = append(n.attrs, attr{local: a.Name.Local, value: a.Value})
		return nil
	}
	space, err := b.resolve(a.Name, spaces)
	if err != nil {
		return err
	}
	key.Space = space
	n.foreign = append(n.foreign, attr{space, a.Name.Local, a.Value})
	return nil
}

func (b *treeBuilder) resolve(name xml.Name, spaces *binding) (string, error) {
	if strings.Contains(name.Local, ":") {
		return "", b.fault(malformed, "a name with at most one colon inside", quote(name.Local))
	}
	space, ok := spaces.lookup(name.Space)
	if !ok {
		return "", b.fault(malformed, "a declaration xmlns:"+name.Space+" of the prefix", "none for "+quote(written(name)))
	}
	return space, nil
}

func (b *treeBuilder) end(name xml.Name) error {
	n := len(b.open)
	if n == 0 || b.open[n-1].name != name {
		want := "no closing tag here"
		if n > 0 {
			want = "</" + written(b.open[n-1].name) + ">"
		}
		return b.fault(malformed, want, "</"+written(name)+">")
	}
	b.open = b.open[:n-1]
	return nil
}

func written(name xml.Name) string {
	if name.Space == "" {
		return name.Local
	}
	return name.Space + ":" + name.Local
}
