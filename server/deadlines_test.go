package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// deadlines are the calls that make a test depend on how fast the machine is,
// by package and name.
var deadlines = map[string][]string{
	"time":    {"Sleep", "After", "AfterFunc", "Tick"},
	"context": {"WithTimeout", "WithDeadline"},
	"":        {"SetDeadline", "SetReadDeadline", "SetWriteDeadline"}, // of any connection
}

// TestNoTestHasADeadline: no test file calls what waits for a time, except in
// packages whose tests run in bubbles of virtual time. On a busy machine such a
// call fails what is right.
func TestNoTestHasADeadline(t *testing.T) {
	virtual, found, files := map[string]bool{}, map[string][]string{}, 0
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") || strings.HasSuffix(path, "_bench_test.go") {
			return err // a benchmark may take its time
		}
		files++
		set := token.NewFileSet()
		f, err := parser.ParseFile(set, path, nil, 0)
		if err != nil {
			return err
		}
		dir := filepath.Dir(path)
		for _, i := range f.Imports {
			virtual[dir] = virtual[dir] || i.Path.Value == `"testing/synctest"`
		}
		ast.Inspect(f, func(n ast.Node) bool {
			if call, ok := n.(*ast.CallExpr); ok && isDeadline(call) {
				found[dir] = append(found[dir], set.Position(call.Pos()).String())
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if files < 100 {
		t.Errorf("only %d test files were looked at", files)
	}
	for dir, places := range found {
		if !virtual[dir] {
			t.Errorf("tests wait for a time: %s", strings.Join(places, ", "))
		}
	}
}

// isDeadline reports whether a call is one of deadlines.
func isDeadline(call *ast.CallExpr) bool {
	s, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	of, _ := s.X.(*ast.Ident)
	for pkg, names := range deadlines {
		for _, name := range names {
			if s.Sel.Name == name && (pkg == "" && (of == nil || of.Name != "context") || of != nil && of.Name == pkg) {
				return true
			}
		}
	}
	return false
}
