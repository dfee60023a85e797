package hazard

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"rollwarden/rules/hint"
)

// fault is a mistake in a rule book. path leads to it: keys, and the indexes
// of list items from 0.
type fault struct {
	path []string
	err  error
}

func faultf(format string, args ...any) *fault { return &fault{err: fmt.Errorf(format, args...)} }

// in puts steps in front of the path: keys as text and list items as int.
func (f *fault) in(steps ...any) *fault {
	path := make([]string, len(steps), len(steps)+len(f.path))
	for i, step := range steps {
		path[i] = fmt.Sprint(step)
	}
	f.path = append(path, f.path...)
	return f
}

// Error names the place as in overrides[0].settings.tail_m.
func (f *fault) Error() string {
	var text strings.Builder
	for i, step := range f.path {
		if _, err := strconv.Atoi(step); err == nil {
			text.WriteString("[" + step + "]")
			continue
		}
		if i > 0 {
			text.WriteByte('.')
		}
		text.WriteString(step)
	}
	return text.String() + ": " + f.err.Error()
}

func (f *fault) Unwrap() error { return f.err }

// placed gives an error of the YAML library that does not know its place the
// place of the block that it was found in.
func placed(err error, steps ...any) error {
	var y yaml.Error
	if errors.As(err, &y) {
		return err
	}
	return faultf("%w", err).in(steps...)
}

// below puts steps in front of the path of a fault; any other error knows its
// place by itself.
func below(err error, steps ...any) error {
	var f *fault
	if errors.As(err, &f) {
		return f.in(steps...)
	}
	return err
}

// source is the text of a rule book, to say where a mistake is.
type source struct {
	name string
	file *ast.File
}

// documents counts the documents that say something.
func (s source) documents() (n int) {
	for _, d := range s.file.Docs {
		if _, directive := d.Body.(*ast.DirectiveNode); d.Body != nil && !directive {
			n++
		}
	}
	return n
}

// plain refuses what a rule book has no use for and the YAML library reads
// badly: tags such as !!str.
func (s source) plain() error {
	for _, n := range s.nodes(ast.TagType) {
		at := n.GetToken()
		return fmt.Errorf("%s:%d:%d: want a plain value without the tag %s", s.name, at.Position.Line, at.Position.Column, at.Value)
	}
	return nil
}

// nodes lists every node of a type.
func (s source) nodes(kind ast.NodeType) (all []ast.Node) {
	for _, d := range s.file.Docs {
		if d.Body != nil {
			all = append(all, ast.Filter(kind, d.Body)...)
		}
	}
	return all
}

// explain puts file, line and column in front of a mistake.
func (s source) explain(err error) error {
	var at *token.Token
	cause, f := err, (*fault)(nil)
	if errors.As(err, &f) {
		at, cause = s.at(f.path), f.err
	}
	if value := s.refusedDuration(cause); value != nil {
		at, err = value, fmt.Errorf("want a time such as 90s, 15m or 4h, got %q", value.Value)
	}
	if at == nil {
		return readError(s.name, err)
	}
	return fmt.Errorf("%s:%d:%d: %w", s.name, at.Position.Line, at.Position.Column, err)
}

// readError explains an error of the YAML library.
func readError(name string, err error) error {
	return hint.YAML(name, err, struct {
		bookFile
		Settings `yaml:"settings"`
		Tuning   `yaml:"hazards"`
	}{})
}

// refusedDuration finds the value that time.ParseDuration has refused with
// err, for the YAML library passes that error on without its place.
func (s source) refusedDuration(err error) *token.Token {
	if !strings.HasPrefix(err.Error(), "time: ") {
		return nil
	}
	for _, n := range s.nodes(ast.StringType) {
		text := n.GetToken()
		if _, e := time.ParseDuration(text.Value); e != nil && e.Error() == err.Error() {
			return text
		}
	}
	return nil
}

// checkMoments refuses a time that the YAML library could not read: it leaves
// the field at its zero value and says nothing.
func (s source) checkMoments(cases []Case) error {
	for i, c := range cases {
		path := []string{"cases", strconv.Itoa(i), "now"}
		if node, _ := s.find(path); node != nil && node.Type() != ast.NullType && c.Now.IsZero() {
			return faultf("want a time such as 2026-03-02T08:00:00Z, got %q", node.GetToken().Value).in("cases", i, "now")
		}
	}
	return nil
}

// at returns the key or the list item where a path ends, or as much of the
// path as the file has: a key that is missing is missed below its parent.
func (s source) at(path []string) *token.Token {
	for ; len(path) > 0; path = path[:len(path)-1] {
		if _, at := s.find(path); at != nil {
			return at
		}
	}
	return nil
}

// find follows a path to a value, and to where it is named.
func (s source) find(path []string) (node ast.Node, at *token.Token) {
	for _, d := range s.file.Docs {
		if _, directive := d.Body.(*ast.DirectiveNode); !directive {
			node = d.Body
		}
	}
	for _, step := range path {
		if node, at = child(node, step); node == nil {
			return nil, nil
		}
	}
	return node, at
}

// child returns the node below a key or index, and where it is named.
func child(node ast.Node, step string) (ast.Node, *token.Token) {
	switch n := node.(type) {
	case *ast.AnchorNode:
		return child(n.Value, step)
	case *ast.TagNode:
		return child(n.Value, step)
	case *ast.MappingNode:
		for _, v := range n.Values {
			if next, key := child(v, step); next != nil {
				return next, key
			}
		}
	case *ast.MappingValueNode:
		if n.Key.GetToken().Value == step {
			return n.Value, n.Key.GetToken()
		}
	case *ast.SequenceNode:
		if i, err := strconv.Atoi(step); err == nil && i < len(n.Values) {
			return n.Values[i], first(n.Values[i])
		}
	}
	return nil, nil
}

// first is where a list item begins; a mapping's own token is its colon.
func first(node ast.Node) *token.Token {
	switch n := node.(type) {
	case *ast.MappingNode:
		if len(n.Values) > 0 && !n.IsFlowStyle {
			return n.Values[0].Key.GetToken()
		}
	case *ast.MappingValueNode:
		return n.Key.GetToken()
	}
	return node.GetToken()
}
