package main

import (
	"fmt"
	"go/ast"
	"maps"
	"regexp"
	"slices"
	"strings"
)

// exportedDocs wants a sentence that begins with its name for every exported type,
// function and method of an exported type. In a group of constants or variables a
// sentence for the group or a remark beside each is enough.
func exportedDocs(tr *tree) (wrong []string) {
	for _, folder := range slices.Sorted(maps.Keys(tr.decls)) {
		for _, decl := range tr.decls[folder] {
			switch d := decl.(type) {
			case *ast.FuncDecl:
				if d.Name.IsExported() && ast.IsExported(receiver(d)) && !beginsWith(d.Doc, d.Name.Name) {
					wrong = append(wrong, undocumented(tr, d.Name))
				}
			case *ast.GenDecl:
				for _, spec := range d.Specs {
					wrong = append(wrong, undocumentedSpecs(tr, d, spec)...)
				}
			}
		}
	}
	return wrong
}

// receiver returns the type whose method d is, and for a function its own name.
func receiver(d *ast.FuncDecl) string {
	if d.Recv == nil {
		return d.Name.Name
	}
	expr := d.Recv.List[0].Type
	for {
		switch e := expr.(type) {
		case *ast.StarExpr:
			expr = e.X
		case *ast.IndexExpr:
			expr = e.X
		case *ast.Ident:
			return e.Name
		default:
			return ""
		}
	}
}

func undocumentedSpecs(tr *tree, d *ast.GenDecl, spec ast.Spec) (wrong []string) {
	switch s := spec.(type) {
	case *ast.TypeSpec:
		if s.Name.IsExported() && !beginsWith(s.Doc, s.Name.Name) && (d.Lparen.IsValid() || !beginsWith(d.Doc, s.Name.Name)) {
			wrong = append(wrong, undocumented(tr, s.Name))
		}
	case *ast.ValueSpec:
		for _, name := range s.Names {
			grouped := d.Lparen.IsValid() && (d.Doc != nil || s.Comment != nil)
			if name.IsExported() && !grouped && !beginsWith(s.Doc, name.Name) && !beginsWith(d.Doc, name.Name) {
				wrong = append(wrong, undocumented(tr, name))
			}
		}
	}
	return wrong
}

// beginsWith holds when the comment's first word is the name.
func beginsWith(doc *ast.CommentGroup, name string) bool {
	rest, ok := strings.CutPrefix(doc.Text(), name)
	return ok && (rest == "" || !strings.ContainsRune("_ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789", rune(rest[0])))
}

func undocumented(tr *tree, name *ast.Ident) string {
	return fmt.Sprintf("%s: %s has no comment that begins with its name", tr.fset.Position(name.Pos()), name.Name)
}

// listedPackages wants a line for every package in DEVELOPERS.md, and none for one
// that does not exist.
func listedPackages(tr *tree) (wrong []string) {
	listed := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `((?:events|reports|services|cmd)[a-z/]*)` \\|").FindAllSubmatch(tr.files["DEVELOPERS.md"], -1) {
		listed[string(m[1])] = true
	}
	for _, folder := range slices.Sorted(maps.Keys(tr.decls)) {
		if !listed[folder] {
			wrong = append(wrong, fmt.Sprintf("DEVELOPERS.md does not say where to find %s", folder))
		}
		delete(listed, folder)
	}
	for _, folder := range slices.Sorted(maps.Keys(listed)) {
		wrong = append(wrong, fmt.Sprintf("DEVELOPERS.md lists %s, which does not exist", folder))
	}
	return wrong
}
