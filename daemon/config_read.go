package daemon

import (
	"cmp"
	"encoding"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// document is a configuration being read. The library's strict decoding stops
// at the first mistake; walking its syntax tree ourselves finds them all.
type document struct {
	root     ast.Node
	lines    map[string]int  // by the path of a key
	bad      map[string]bool // paths that have a problem already
	problems []Problem
}

func newDocument(data []byte) *document {
	d := &document{lines: map[string]int{}, bad: map[string]bool{}}
	file, err := parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		line, found := 0, err.Error()
		var syntax yaml.Error
		if errors.As(err, &syntax) {
			found = syntax.GetMessage()
			if tk := syntax.GetToken(); tk != nil && tk.Position != nil {
				line = tk.Position.Line
			}
		}
		d.problems = append(d.problems, Problem{line, "", "YAML", found})
		return d
	}
	for _, doc := range file.Docs {
		switch {
		case doc.Body == nil || doc.Body.Type() == ast.NullType || doc.Body.Type() == ast.CommentType:
		case d.root != nil:
			d.problems = append(d.problems, Problem{lineOf(doc.Body), "", "one document", "another after it"})
		default:
			d.root = doc.Body
		}
	}
	return d
}

func lineOf(n ast.Node) int {
	if tk := n.GetToken(); tk != nil && tk.Position != nil {
		return tk.Position.Line
	}
	return 0
}

// add notes a problem with a key, in the key's own line or that of what it is part of.
func (d *document) add(path, expected, found string) {
	line := 0
	for p := path; p != "" && line == 0; {
		line = d.lines[p]
		p = p[:max(strings.LastIndexAny(p, ".["), 0)]
	}
	d.bad[path] = true
	d.problems = append(d.problems, Problem{line, path, expected, found})
}

func (d *document) sorted() []Problem {
	slices.SortStableFunc(d.problems, func(a, b Problem) int { return cmp.Compare(a.Line, b.Line) })
	return d.problems
}

// fill sets what the document says and leaves the rest of c as it is.
func (d *document) fill(c *Config) {
	if d.root != nil {
		d.object(d.root, "", reflect.ValueOf(c).Elem())
	}
}

// secretKeys are keys that people write by habit, and where they should stand.
var secretKeys = map[string]string{
	"mqtt.password":             "password_file, or the password in the environment as " + PasswordVar,
	"access.oidc.client_secret": "client_secret_file, or the secret in the environment as " + ClientSecretVar,
	"export.influx.token":       "token_file, or the token in the environment as " + InfluxTokenVar,
}

func (d *document) object(n ast.Node, path string, into reflect.Value) {
	n = unwrap(n)
	if n.Type() == ast.NullType {
		return // a heading with everything under it commented out
	}
	list, ok := under(n)
	if !ok {
		d.lines[path] = lineOf(n)
		d.add(path, "keys with values under it", describe(n))
		return
	}
	fields := map[string]reflect.Value{}
	var names []string
	for i := range into.NumField() {
		if name := into.Type().Field(i).Tag.Get("yaml"); name != "-" {
			fields[name] = into.Field(i)
			names = append(names, name)
		}
	}
	for _, e := range list {
		name := keyOf(e)
		at := name
		if path != "" {
			at = path + "." + name
		}
		first, twice := d.lines[at]
		if twice {
			d.problems = append(d.problems, Problem{lineOf(e.Key), at, "the key once", fmt.Sprintf("it in line %d already", first)})
			continue
		}
		d.lines[at] = lineOf(e.Key)
		field, known := fields[name]
		switch {
		case known:
			d.value(e.Value, at, field)
		case secretKeys[at] != "":
			d.add(at, secretKeys[at], "a secret in the configuration")
		default:
			d.add(at, "one of "+strings.Join(names, ", "), "an unknown key")
		}
	}
}

// under returns the keys and values under a node, and whether it has such.
func under(n ast.Node) ([]*ast.MappingValueNode, bool) {
	switch m := n.(type) {
	case *ast.MappingNode:
		return m.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{m}, true
	}
	return nil, false
}

// keyOf returns a key as it stands in the file, without quotes.
func keyOf(e *ast.MappingValueNode) string {
	if s, ok := e.Key.(*ast.StringNode); ok {
		return s.Value
	}
	return e.Key.String()
}

// named sets a map, whose keys are names that the operator gives.
func (d *document) named(n ast.Node, path string, into reflect.Value) {
	list, ok := under(n)
	if !ok {
		d.add(path, "names with values under them", describe(n))
		return
	}
	out := reflect.MakeMap(into.Type())
	for _, e := range list {
		name := keyOf(e)
		at := path + "[" + name + "]"
		if first, twice := d.lines[at]; twice {
			d.problems = append(d.problems, Problem{lineOf(e.Key), at, "the name once", fmt.Sprintf("it in line %d already", first)})
			continue
		}
		d.lines[at] = lineOf(e.Key)
		v := reflect.New(into.Type().Elem()).Elem()
		d.value(e.Value, at, v)
		out.SetMapIndex(reflect.ValueOf(name), v)
	}
	into.Set(out)
}

// value sets one value of a key.
func (d *document) value(n ast.Node, path string, into reflect.Value) {
	n = unwrap(n)
	if n == nil || n.Type() == ast.NullType {
		return
	}
	text, isText := into.Addr().Interface().(encoding.TextUnmarshaler)
	switch {
	case isText:
		s, ok := scalar(n)
		if !ok {
			d.add(path, expectation(into.Type()), describe(n))
		} else if text.UnmarshalText([]byte(s)) != nil {
			d.add(path, expectation(into.Type()), strconv.Quote(s))
		}
	case into.Type() == reflect.TypeFor[time.Duration]():
		s, ok := scalar(n)
		v, err := ParseDuration(s)
		if !ok || err != nil {
			d.add(path, expectation(reflect.TypeFor[Duration]()), describe(n))
		}
		into.SetInt(int64(v))
	case into.Kind() == reflect.Pointer:
		v := reflect.New(into.Type().Elem())
		d.value(n, path, v.Elem())
		into.Set(v)
	case into.Kind() == reflect.Struct:
		d.object(n, path, into)
	case into.Kind() == reflect.Map:
		d.named(n, path, into)
	case into.Kind() == reflect.Slice:
		list, ok := n.(*ast.SequenceNode)
		if !ok {
			d.add(path, "a list", describe(n))
			return
		}
		out := reflect.MakeSlice(into.Type(), len(list.Values), len(list.Values))
		for i, e := range list.Values {
			at := fmt.Sprintf("%s[%d]", path, i)
			d.lines[at] = lineOf(e)
			d.value(e, at, out.Index(i))
		}
		into.Set(out)
	default:
		kind := n.Type()
		fits := false
		switch into.Kind() {
		case reflect.String:
			fits = kind == ast.StringType || kind == ast.LiteralType
		case reflect.Bool:
			fits = kind == ast.BoolType
		case reflect.Int:
			fits = kind == ast.IntegerType
		case reflect.Float64:
			fits = kind == ast.IntegerType || kind == ast.FloatType
		}
		if !fits || yaml.NodeToValue(n, into.Addr().Interface()) != nil {
			d.add(path, expectation(into.Type()), describe(n))
		}
	}
}

// unwrap returns the value of an anchor or tag, which say nothing here.
func unwrap(n ast.Node) ast.Node {
	for {
		switch w := n.(type) {
		case *ast.AnchorNode:
			n = w.Value
		case *ast.TagNode:
			n = w.Value
		default:
			return n
		}
	}
}

// scalar returns a text or number as it stands in the file.
func scalar(n ast.Node) (string, bool) {
	switch s := n.(type) {
	case *ast.StringNode:
		return s.Value, true
	case *ast.IntegerNode:
		return s.Token.Value, true
	case *ast.FloatNode:
		return s.Token.Value, true
	}
	return "", false
}

// expectation says in words what a key of the type takes.
func expectation(t reflect.Type) string {
	switch t {
	case reflect.TypeFor[Duration]():
		return "a time with units, like 90d or 1h30m"
	case reflect.TypeFor[Size]():
		return "a number of bytes, like 16MiB or 500kB"
	}
	switch t.Kind() {
	case reflect.String:
		return "a text"
	case reflect.Int:
		return "a whole number"
	case reflect.Float64:
		return "a number"
	}
	return "a " + t.String()
}

// describe says what stands in the file, shortened.
func describe(n ast.Node) string {
	switch n.Type() {
	case ast.MappingType, ast.MappingValueType:
		return "keys with values"
	case ast.SequenceType:
		return "a list"
	case ast.AliasType:
		return "an alias"
	}
	s := strings.TrimSpace(n.String())
	if s == "" || strings.ContainsFunc(s, unicode.IsControl) {
		s = strconv.Quote(n.String())
	}
	if r := []rune(s); len(r) > 60 {
		s = string(r[:60]) + "…"
	}
	return s
}
