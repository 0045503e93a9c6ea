package main

import (
	"go/ast"
	"go/parser"
	"go/token"
)

// testSources are the test files of one directory and the functions in them. A
// function is virtual where everything that names it runs in a bubble of
// testing/synctest: only then is the time it waits for not the machine's.
type testSources struct {
	set       *token.FileSet
	functions []*function
	uses      map[string][]use // by the name of what is used
	calls     []call
	elapsed   map[elapsedIn]bool
}

// elapsedIn is a variable of a declared function that holds how long something
// took: what time.Since has answered.
type elapsedIn struct{ top, name string }

// function is a declared function or a function literal.
type function struct {
	name    string // as declared, or the variable's that a literal is assigned to; "" where it has none
	top     string // the declared function around it, or the variable of the package
	bench   bool   // it is, or is in, a function of a benchmark
	within  *function
	params  []string
	givenTo string // the function that a literal is an argument of
	virtual bool   // it runs in bubbles alone
	bubbles bool   // what it is given runs in bubbles alone
}

// use is one place that names something.
type use struct {
	in      *function // nil outside functions
	givenTo string    // the function that it is an argument of
}

// call is an expression that is looked at for a limit of time.
type call struct {
	in   *function
	expr ast.Expr
}

// bubbleMaker is the function whose argument runs in virtual time.
const bubbleMaker = "synctest.Test"

// readTests parses files of one directory and works out what runs in virtual
// time: at first nothing does, then what is given to bubbleMaker, then what is
// named only there, and so on until nothing is added.
func readTests(paths ...string) (*testSources, error) {
	s := &testSources{set: token.NewFileSet(), uses: map[string][]use{}, elapsed: map[elapsedIn]bool{}}
	for _, path := range paths {
		f, err := parser.ParseFile(s.set, path, nil, parser.SkipObjectResolution)
		if err != nil {
			return nil, err
		}
		ast.Walk(visitor{sources: s}, f)
	}
	for more := true; more; {
		more = false
		for _, f := range s.functions {
			if !f.virtual && s.runsInBubbles(f) {
				f.virtual, more = true, true
			}
			if !f.bubbles && s.givesToBubbles(f) {
				f.bubbles, more = true, true
			}
		}
	}
	return s, nil
}

// runsInBubbles reports that f runs in virtual time alone, as far as is known.
func (s *testSources) runsInBubbles(f *function) bool {
	switch {
	case f.within != nil && f.within.virtual, s.isBubble(f.givenTo):
		return true
	case f.name == "":
		return false
	}
	var others []use
	for _, u := range s.uses[f.name] {
		if !u.in.inside(f) {
			others = append(others, u)
		}
	}
	return s.allVirtual(others)
}

// givesToBubbles reports that f runs one of its parameters in virtual time
// alone, as a helper does that wraps bubbleMaker.
func (s *testSources) givesToBubbles(f *function) bool {
	for _, p := range f.params {
		var own []use
		for _, u := range s.uses[p] {
			if u.in.inside(f) {
				own = append(own, u)
			}
		}
		if p != "t" && s.allVirtual(own) {
			return true
		}
	}
	return false
}

// allVirtual reports that there are uses, all of them in virtual time.
func (s *testSources) allVirtual(uses []use) bool {
	for _, u := range uses {
		if !s.isBubble(u.givenTo) && (u.in == nil || !u.in.virtual) {
			return false
		}
	}
	return len(uses) > 0
}

// isBubble reports that what a function of this name is given runs in a bubble.
func (s *testSources) isBubble(name string) bool {
	if name == bubbleMaker {
		return true
	}
	found := false
	for _, f := range s.functions {
		if f.name == name && name != "" {
			if !f.bubbles {
				return false
			}
			found = true
		}
	}
	return found
}

// inside reports that f is other or a literal in it.
func (f *function) inside(other *function) bool {
	for ; f != nil; f = f.within {
		if f == other {
			return true
		}
	}
	return false
}

// visitor walks a file and knows which function it is in.
type visitor struct {
	sources *testSources
	in      *function
	givenTo string // the function that the node is an argument of
	name    string // what the node is assigned to
	top     string // the variable of the package that the node is the value of
}

func (v visitor) Visit(n ast.Node) ast.Visitor {
	here := visitor{sources: v.sources, in: v.in, top: v.top}
	switch n := n.(type) {
	case *ast.ValueSpec:
		if v.in == nil {
			here.top = n.Names[0].Name
		}
	case *ast.FuncDecl:
		f := v.enter(n.Name.Name, n.Type)
		f.top = n.Name.Name
		if n.Recv != nil {
			f.top = receiver(n.Recv.List[0].Type) + "." + f.top
		}
		if n.Body != nil {
			ast.Walk(visitor{sources: v.sources, in: f}, n.Body)
		}
		return nil
	case *ast.FuncLit:
		f := v.enter(v.name, n.Type)
		f.givenTo = v.givenTo
		ast.Walk(visitor{sources: v.sources, in: f}, n.Body)
		return nil
	case *ast.AssignStmt:
		return v.assign(n)
	case *ast.CallExpr:
		v.sources.calls = append(v.sources.calls, call{v.in, n})
		ast.Walk(here, n.Fun)
		for _, a := range n.Args {
			ast.Walk(visitor{sources: v.sources, in: v.in, top: v.top, givenTo: called(n)}, a)
		}
		return nil
	case *ast.BinaryExpr:
		v.sources.calls = append(v.sources.calls, call{v.in, n})
	case *ast.Ident:
		v.sources.uses[n.Name] = append(v.sources.uses[n.Name], use{v.in, v.givenTo})
	case *ast.SelectorExpr:
		return v // x.f as an argument is f as an argument
	}
	return here
}

// assign walks an assignment. The names on its left are no uses of the
// functions on its right.
func (v visitor) assign(n *ast.AssignStmt) ast.Visitor {
	here := visitor{sources: v.sources, in: v.in}
	for i, e := range n.Rhs {
		at := here
		if len(n.Lhs) == len(n.Rhs) {
			if id, ok := n.Lhs[i].(*ast.Ident); ok {
				at.name = id.Name
				if v.in != nil && isCallOf(e, "time", "Since") {
					v.sources.elapsed[elapsedIn{v.in.top, id.Name}] = true
				}
			}
		}
		ast.Walk(at, e)
	}
	for _, e := range n.Lhs {
		if _, ok := e.(*ast.Ident); !ok {
			ast.Walk(here, e)
		}
	}
	return nil
}

// enter adds a function of which the visitor looks at the body next.
func (v visitor) enter(name string, of *ast.FuncType) *function {
	f := &function{name: name, within: v.in, top: v.top}
	if v.in != nil {
		f.top, f.bench = v.in.top, v.in.bench
	}
	for _, field := range of.Params.List {
		star, ok := field.Type.(*ast.StarExpr)
		f.bench = f.bench || ok && isSelector(star.X, "testing", "B")
		for _, p := range field.Names {
			f.params = append(f.params, p.Name)
		}
	}
	v.sources.functions = append(v.sources.functions, f)
	return f
}

// called is the name of the function that a call calls: with its package for
// bubbleMaker, else the last part of it.
func called(n *ast.CallExpr) string {
	switch f := n.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		if isSelector(f, "synctest", "Test") {
			return bubbleMaker
		}
		return f.Sel.Name
	}
	return ""
}

// receiver is the name of a method's type.
func receiver(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.StarExpr:
		return receiver(e.X)
	case *ast.IndexExpr:
		return receiver(e.X)
	case *ast.Ident:
		return e.Name
	}
	return ""
}
