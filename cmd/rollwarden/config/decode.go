package config

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"rollwarden/rules/hint"
)

// decoder lays the syntax tree of a file over a Config. It goes on after an
// error, so that a person sees every slip of the file at once, and remembers
// where each value stood, so that later checks can point there too.
type decoder struct {
	*problems
	file string
}

// decode reads the text of a file into c.
func (c *Config) decode(file string, text []byte, p *problems) {
	p.origins[""] = place{file: file, line: 1, column: 1}
	if !utf8.Valid(text) {
		p.note("", "the file: want UTF-8 text, got another encoding: save it as UTF-8")
		return
	}
	tree, err := parser.ParseBytes(bytes.TrimPrefix(text, []byte("\ufeff")), 0) // some editors put a mark first
	if err != nil {
		p.list = append(p.list, hint.YAML(file, err, Config{}))
		return
	}
	d := decoder{p, file}
	for i, doc := range tree.Docs {
		switch {
		case doc.Body == nil:
		case i > 0:
			d.refuse("the file", doc.Body, "one document", "another one")
			return
		default:
			d.value("", doc.Body, reflect.ValueOf(c).Elem(), "")
		}
	}
}

// value reads a node into a field. A key with nothing after it leaves the
// default as it is.
func (d decoder) value(path string, node ast.Node, v reflect.Value, tag reflect.StructTag) {
	switch node.(type) {
	case *ast.NullNode, *ast.CommentGroupNode:
		return
	case *ast.AnchorNode, *ast.AliasNode, *ast.TagNode:
		d.refuse(path, node, "the value written out", "an anchor, an alias or a tag")
		return
	}
	switch t := v.Type(); {
	case scalar(t):
		d.scalar(path, node, v, tag)
	case t.Kind() == reflect.Slice:
		d.items(path, node, v, tag)
	case t.Kind() == reflect.Map:
		d.table(path, node, v, tag)
	default:
		d.section(path, node, v)
	}
}

func (d decoder) scalar(path string, node ast.Node, v reflect.Value, tag reflect.StructTag) {
	text, ok := textOf(node)
	if !ok {
		d.refuse(path, node, "a single value", describe(node))
		return
	}
	d.origins[path] = d.place(node.GetToken())
	d.assign(path, v, tag, text)
}

// items replaces the default list by the one of the file.
func (d decoder) items(path string, node ast.Node, v reflect.Value, tag reflect.StructTag) {
	seq, ok := node.(*ast.SequenceNode)
	if !ok {
		d.refuse(path, node, "a list", describe(node))
		return
	}
	list := reflect.MakeSlice(v.Type(), len(seq.Values), len(seq.Values))
	for i, item := range seq.Values {
		at := fmt.Sprintf("%s[%d]", path, i)
		d.origins[at] = d.place(start(item))
		d.value(at, item, list.Index(i), tag)
	}
	v.Set(list)
}

// table lays entries whose keys the shop chooses over the default ones.
func (d decoder) table(path string, node ast.Node, v reflect.Value, tag reflect.StructTag) {
	if v.IsNil() { // in a list nothing has a default
		v.Set(reflect.MakeMap(v.Type()))
	}
	d.pairs(path, node, func(key, below string, node ast.Node) {
		k, item := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
		d.assign(below, k, "", key)
		if d.blamed[below] {
			return
		}
		if old := v.MapIndex(k); old.IsValid() {
			item.Set(old)
		}
		d.value(below, node, item, tag)
		v.SetMapIndex(k, item)
	})
}

// section reads a mapping whose keys are the fields of a struct.
func (d decoder) section(path string, node ast.Node, v reflect.Value) {
	fields := fieldsOf(v)
	d.pairs(path, node, func(key, below string, node ast.Node) {
		i := slices.IndexFunc(fields, func(f field) bool { return f.key == key })
		switch {
		case i < 0 && strings.Contains(key, "$"): // the end of a hash, which no error shows
			d.note(below, path+": want a password hash within { } in quotes, because it has commas")
		case i < 0:
			d.note(below, fmt.Sprintf("unknown key %q%s", below, knownInstead(key, keysOf(fields))))
		case fields[i].secret:
			d.note(below, fmt.Sprintf("%s: a secret does not belong in this file: write it into a file of its own and name that with %s, or set %s",
				below, fileKey(key, fields), Variable(below)))
		default:
			d.value(below, node, fields[i].value, fields[i].tag)
		}
	})
}

// pairs visits the entries of a mapping and notes where each one stands.
func (d decoder) pairs(path string, node ast.Node, visit func(key, below string, node ast.Node)) {
	mapping, ok := node.(ast.MapNode)
	if !ok {
		d.refuse(path, node, "a section of keys with values", describe(node))
		return
	}
	for it := mapping.MapRange(); it.Next(); {
		key := it.Key()
		text, ok := textOf(key)
		if !ok {
			d.refuse(path, key, "plain keys", describe(key))
			continue
		}
		below := join(path, text)
		d.origins[below] = d.place(key.GetToken())
		visit(text, below, it.Value())
	}
}

// refuse notes a node that has the wrong form.
func (d decoder) refuse(path string, node ast.Node, want, got string) {
	if path == "" {
		path = "the file"
	}
	d.origins[path] = d.place(start(node))
	d.unlike(path, want, got)
}

func (d decoder) place(t *token.Token) place {
	return place{file: d.file, line: t.Position.Line, column: t.Position.Column}
}

// start is the token with which a node begins.
func start(node ast.Node) *token.Token {
	switch n := node.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return n.Values[0].Key.GetToken()
		}
	case *ast.MappingValueNode:
		return n.Key.GetToken()
	}
	return node.GetToken()
}

// textOf is the text of a scalar as it was written, so that 1.20 stays 1.20.
func textOf(node ast.Node) (string, bool) {
	switch n := node.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		return n.Value.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return node.GetToken().Value, true
	}
	return "", false
}

func describe(node ast.Node) string {
	switch node.(type) {
	case *ast.SequenceNode:
		return "a list"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a section"
	}
	if text, ok := textOf(node); ok {
		return quote(text)
	}
	return "something else"
}

// knownInstead names the key that was probably meant, or else all of them.
func knownInstead(key string, known []string) string {
	if near := hint.DidYouMean(key, known); near != "" {
		return near
	}
	return ": want one of " + strings.Join(known, ", ")
}

// fileKey is the key that names the file of a secret.
func fileKey(key string, fields []field) string {
	for _, f := range fields {
		if f.key == key+"_file" || f.key == key+"_files" {
			return f.key
		}
	}
	return "a file"
}
