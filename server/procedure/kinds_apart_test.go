package procedure

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"reflect"
	"strings"
	"testing"
)

// TestAKindIsKnownInItsOwnFile holds that what is said of one kind stands in its file,
// or in one named after it (watch.go, watch_more.go): no other file has a method of its
// type, or names what the table has of it. Whoever adds a kind finds no list
// to add to but the table.
func TestAKindIsKnownInItsOwnFile(t *testing.T) {
	named := map[string]string{} // by the kind's type, its key
	for _, k := range kinds {
		named[reflect.TypeOf(k).Name()] = k.Key()
	}
	files := parsedFiles(t)
	home := map[string]string{} // by the type's name, its file without ".go"
	for name, file := range files {
		for _, d := range file.Decls {
			g, ok := d.(*ast.GenDecl)
			if !ok {
				continue
			}
			for _, s := range g.Specs {
				if typ, ok := s.(*ast.TypeSpec); ok && named[typ.Name.Name] != "" {
					home[typ.Name.Name] = strings.TrimSuffix(name, ".go")
				}
			}
		}
	}
	if len(home) != len(kinds) {
		t.Fatalf("%d kinds have a file: %v", len(home), home)
	}
	table := map[string]string{} // by the variable in the table, the home of its kind
	for _, file := range files {
		ast.Inspect(file, func(n ast.Node) bool {
			v, ok := n.(*ast.ValueSpec)
			if !ok || len(v.Names) != 1 || len(v.Values) != 1 {
				return true
			}
			if c, ok := v.Values[0].(*ast.CompositeLit); ok {
				if id, ok := c.Type.(*ast.Ident); ok && home[id.Name] != "" {
					table[v.Names[0].Name] = home[id.Name]
				}
			}
			return true
		})
	}
	if len(table) != len(kinds) {
		t.Fatalf("%d kinds are in the table by a name: %v", len(table), table)
	}
	for name, file := range files {
		if name == "kinds.go" {
			continue
		}
		own := func(home string) bool {
			file := strings.TrimSuffix(name, ".go")
			return file == home || strings.HasPrefix(file, home+"_")
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				if n.Recv == nil {
					break
				}
				if id, ok := n.Recv.List[0].Type.(*ast.Ident); ok && home[id.Name] != "" && !own(home[id.Name]) {
					t.Errorf("%s: %s of the kind %q belongs to %s.go", name, n.Name.Name, named[id.Name], home[id.Name])
				}
			case *ast.Ident:
				if at := table[n.Name]; at != "" && !own(at) {
					t.Errorf("%s: names %s: what is said of one kind belongs to %s.go", name, n.Name, at)
				}
			}
			return true
		})
	}
}

// parsedFiles are the files of this package that are no tests, by name.
func parsedFiles(t *testing.T) map[string]*ast.File {
	t.Helper()
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]*ast.File{}
	for _, e := range entries {
		if name := e.Name(); strings.HasSuffix(name, ".go") && !strings.HasSuffix(name, "_test.go") {
			if files[name], err = parser.ParseFile(token.NewFileSet(), name, nil, 0); err != nil {
				t.Fatal(err)
			}
		}
	}
	return files
}
