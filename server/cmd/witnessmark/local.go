package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"

	"witnessmark/internal/calc"
	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	"witnessmark/internal/working"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// localCommands need no server.
func localCommands() []*command {
	return []*command{
		{name: "calc", args: "NAME name=value…", summary: "Do a calculation and show its working; 'calc list' lists them.", setup: setupCalc, help: `
'witnessmark calc list' lists the calculations, 'witnessmark calc NAME' without
values explains one. They are aids: each names its sources, what it leaves out and
who decides. No server is needed.`},
		{name: "procedure", summary: "Procedures: check them, see their steps, publish them.", below: []*command{
			{name: "check", args: "FILE", summary: "Check a procedure document; every problem with its place.", setup: setupProcedureCheck},
			{name: "steps", args: "FILE", summary: "The steps that a procedure gives with a plan.", setup: setupProcedureSteps},
			{name: "shipped", args: "[ID]", summary: "List the procedures that come with the program, or print one.", setup: setupProcedureShipped},
			{name: "publish", args: "FILE", summary: "Publish a revision on the server.", setup: setupProcedurePublish},
			{name: "list", summary: "List the revisions on the server.", setup: setupProcedureList},
		}},
		{name: "plan", summary: "Plans.", below: []*command{
			{name: "check", args: "FILE.csv", summary: "Check a plan in CSV form; every problem with its row.", setup: setupPlanCheck},
		}},
		{name: "verify", summary: "How to verify a package: witnessmark-verify.", setup: setupVerify},
	}
}

func setupCalc(f *flags) func(context.Context, *streams, []string) error {
	asJSON := f.local("json", "for machines")
	return func(_ context.Context, s *streams, args []string) error {
		if len(args) == 0 || args[0] == "list" {
			return listCalculations(s, *asJSON)
		}
		c, err := calc.Named(args[0])
		if err != nil {
			return err
		}
		needed := false
		for _, p := range c.Parameters {
			needed = needed || p.Default == ""
		}
		if len(args) == 1 && needed {
			_, err := io.WriteString(s.out, c.Help())
			return err
		}
		values, err := calc.Arguments(args[1:])
		if err != nil {
			return err
		}
		w, err := c.Do(values)
		if err != nil {
			return err
		}
		if *asJSON {
			return printWorking(s.out, w)
		}
		_, err = io.WriteString(s.out, w.Text())
		return err
	}
}

// printWorking writes a working as JSON, as the API names its parts.
func printWorking(w io.Writer, k working.Working) error {
	type term struct {
		Name   string `json:"name"`
		Symbol string `json:"symbol,omitempty"`
		Value  string `json:"value"`
		Unit   string `json:"unit,omitempty"`
	}
	terms := func(ts []working.Term) []term {
		out := make([]term, len(ts))
		for i, t := range ts {
			out[i] = term(t)
		}
		return out
	}
	sources := make([]string, len(k.Sources))
	for i, x := range k.Sources {
		sources[i] = x.String()
	}
	return printJSON(w, map[string]any{"formula": k.Formula, "inputs": terms(k.Inputs), "steps": terms(k.Steps), "results": terms(k.Result),
		"sources": sources, "cautions": k.Cautions, "leftOut": k.LeftOut, "defers": k.Defers})
}

func listCalculations(s *streams, asJSON bool) error {
	t := table{head: []string{"GROUP", "NAME", "COMPUTES"}}
	for _, c := range calc.All() {
		t.add(c.Group, c.Name, c.Title)
	}
	return t.print(s.out, asJSON)
}

// readFile reads a file, or the standard input for "-", up to a bound.
func readFile(s *streams, path string, bound int64) ([]byte, error) {
	var r io.Reader = s.in
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, errs.Newf(errs.NotFound, "FILE", "%s cannot be read", path).Because(err)
		}
		defer f.Close()
		r = f
	}
	b, err := io.ReadAll(io.LimitReader(r, bound+1))
	if err != nil {
		return nil, errs.Newf(errs.NotFound, "FILE", "%s cannot be read", path).Because(err)
	}
	if int64(len(b)) > bound {
		return nil, errs.Newf(errs.TooLarge, "FILE_TOO_LARGE", "%s is larger than %d bytes", path, bound)
	}
	return b, nil
}

// include writes out the includes of a document: from files beside it named
// <id>.yaml, else from the procedures that come with the program.
func include(path string, doc []byte) ([]byte, error) {
	dir := "."
	if i := strings.LastIndexByte(path, '/'); i >= 0 {
		dir = path[:i]
	}
	return procedure.Include(doc, func(id string) ([]byte, error) {
		b, err := os.ReadFile(dir + "/" + id + ".yaml")
		if errors.Is(err, os.ErrNotExist) {
			return procedure.ShippedSource(id)
		}
		return b, err
	})
}

// problems prints what is wrong with a document, one a line.
func problems(s *streams, path string, err error, asJSON bool) error {
	var ps procedure.Problems
	if !errors.As(err, &ps) {
		return err
	}
	if asJSON {
		type problem struct {
			File    string `json:"file"`
			Line    int    `json:"line"`
			Column  int    `json:"column"`
			Path    string `json:"path"`
			Message string `json:"message"`
		}
		list := make([]problem, len(ps))
		for i, p := range ps {
			list[i] = problem{path, p.Line, p.Column, p.Path, p.Message}
		}
		if err := printJSON(s.out, map[string]any{"problems": list}); err != nil {
			return err
		}
		return silent{exitFailed}
	}
	for _, p := range ps {
		if p.File == "" {
			p.File = path
		}
		if _, err := fmt.Fprintln(s.out, oneLine(p.String())); err != nil {
			return err
		}
	}
	if _, err := fmt.Fprintf(s.out, "%d problem(s)\n", len(ps)); err != nil {
		return err
	}
	return silent{exitFailed}
}

// compile reads a document file whole: parsed alone first, for exact places, then
// with its includes.
func compile(s *streams, path string, asJSON bool) (*procedure.Compiled, error) {
	doc, err := readFile(s, path, procedure.MaxDocument)
	if err != nil {
		return nil, err
	}
	if _, err := procedure.Parse(path, doc); err != nil {
		return nil, problems(s, path, err, asJSON)
	}
	whole, err := include(path, doc)
	if err != nil {
		return nil, problems(s, path, err, asJSON)
	}
	c, err := procedure.Compile(whole)
	if err != nil {
		return nil, problems(s, path, err, asJSON)
	}
	return c, nil
}

func setupProcedureCheck(f *flags) func(context.Context, *streams, []string) error {
	asJSON := f.local("json", "for machines")
	return func(_ context.Context, s *streams, args []string) error {
		if err := exactly(args, "FILE"); err != nil {
			return err
		}
		c, err := compile(s, args[0], *asJSON)
		if err != nil {
			return err
		}
		steps := 0
		for _, sec := range c.Proc.GetSections() {
			steps += len(sec.GetSteps())
		}
		languages := c.Languages()
		if *asJSON {
			return printJSON(s.out, map[string]any{"problems": []string{}, "id": c.Proc.GetId(), "revision": c.Proc.GetRevision(), "digest": fmt.Sprintf("%x", c.Digest),
				"sections": len(c.Proc.GetSections()), "steps": steps, "languages": languages})
		}
		if _, err := fmt.Fprintf(s.out, "%s %s: %d sections, %d steps, in %s; no problem\ndigest with includes written out %x\n",
			c.Proc.GetId(), c.Proc.GetRevision(), len(c.Proc.GetSections()), steps, strings.Join(languages, ", "), c.Digest); err != nil {
			return err
		}
		for _, l := range languages[1:] {
			if missing := c.Untranslated(l); len(missing) > 0 {
				if _, err := fmt.Fprintf(s.out, "%s: %d text(s) are shown in English, first %s\n", l, len(missing), missing[0]); err != nil {
					return err
				}
			}
		}
		return nil
	}
}

func setupProcedureSteps(f *flags) func(context.Context, *streams, []string) error {
	plan := f.word("plan", "FILE.csv", "", "the plan; needed for steps of lines and connections")
	asJSON := f.local("json", "for machines")
	return func(_ context.Context, s *streams, args []string) error {
		if err := exactly(args, "FILE"); err != nil {
			return err
		}
		c, err := compile(s, args[0], *asJSON)
		if err != nil {
			return err
		}
		var p = &witnessmarkv1.ReadPlanResponse{}
		if *plan != "" {
			if p, err = readPlan(s, *plan, *asJSON); err != nil {
				return err
			}
		}
		exp, err := c.Expand(p.GetPlan(), nil)
		if err != nil {
			return err
		}
		t := table{head: []string{"STEP", "ASKS", "LIMIT", "NEEDED", "TITLE"}}
		for _, st := range exp.Steps {
			limit := ""
			switch {
			case st.Limit == nil:
			case st.Limit.None:
				limit = "none"
			default:
				limit = bounds(st.Limit.Lower, st.Limit.Upper, st.Limit.Unit.String())
			}
			t.add(st.ID, asks(st.Def.ProtoReflect()), limit, yesNo(st.Required), st.Def.GetTitle())
		}
		if err := t.print(s.out, *asJSON); err != nil || *asJSON {
			return err
		}
		for _, m := range exp.MissingForLimits() {
			if _, err := fmt.Fprintln(s.err, "the plan does not say enough: "+m); err != nil {
				return err
			}
		}
		_, err = fmt.Fprintf(s.err, "%d steps; those of a climb come once for each climb\n", len(exp.Steps))
		return err
	}
}

func bounds(lower, upper *float64, unit string) string {
	unit = strings.ToLower(strings.ReplaceAll(unit, "_", " "))
	switch {
	case lower != nil && upper != nil:
		return fmt.Sprintf("%g to %g %s", *lower, *upper, unit)
	case lower != nil:
		return fmt.Sprintf("at least %g %s", *lower, unit)
	case upper != nil:
		return fmt.Sprintf("at most %g %s", *upper, unit)
	}
	return "none"
}

func setupProcedureShipped(f *flags) func(context.Context, *streams, []string) error {
	whole := f.local("whole", "with the includes written out, as it is published")
	return func(_ context.Context, s *streams, args []string) error {
		if len(args) == 0 {
			for _, id := range procedure.Shipped() {
				if _, err := fmt.Fprintln(s.out, id); err != nil {
					return err
				}
			}
			return nil
		}
		if err := exactly(args, "ID"); err != nil {
			return err
		}
		get := procedure.ShippedSource
		if *whole {
			get = procedure.ShippedDocument
		}
		doc, err := get(args[0])
		if err != nil {
			return err
		}
		_, err = s.out.Write(doc)
		return err
	}
}

const maxPlan = 1 << 20

// readPlan reads a plan from CSV here, without a server.
func readPlan(s *streams, path string, asJSON bool) (*witnessmarkv1.ReadPlanResponse, error) {
	b, err := readFile(s, path, maxPlan)
	if err != nil {
		return nil, err
	}
	plan, rows := procedure.ParsePlanCSV(strings.NewReader(string(b)))
	res := &witnessmarkv1.ReadPlanResponse{Plan: plan}
	if len(rows) == 0 {
		return res, nil
	}
	for _, r := range rows {
		res.Errors = append(res.Errors, &witnessmarkv1.ReadPlanResponse_RowError{Row: int32(r.Row), Column: r.Column, Message: r.Message})
		if !asJSON {
			if _, err := fmt.Fprintln(s.out, path+": "+oneLine(r.String())); err != nil {
				return nil, err
			}
		}
	}
	if asJSON {
		if err := printMessage(s.out, res); err != nil {
			return nil, err
		}
	} else if _, err := fmt.Fprintf(s.out, "%d problem(s)\n", len(rows)); err != nil {
		return nil, err
	}
	return nil, silent{exitFailed}
}

func setupPlanCheck(f *flags) func(context.Context, *streams, []string) error {
	asJSON := f.local("json", "print the plan for machines")
	return func(_ context.Context, s *streams, args []string) error {
		if err := exactly(args, "FILE.csv"); err != nil {
			return err
		}
		p, err := readPlan(s, args[0], *asJSON)
		if err != nil {
			return err
		}
		if *asJSON {
			b, err := protojson.Marshal(p)
			if err != nil {
				return fmt.Errorf("write JSON: %w", err)
			}
			_, err = s.out.Write(append(b, '\n'))
			return err
		}
		_, err = fmt.Fprintf(s.out, "%d lines, %d connections; no problem\n", len(p.GetPlan().GetLines()), len(p.GetPlan().GetConnections()))
		return err
	}
}

func setupVerify(*flags) func(context.Context, *streams, []string) error {
	return func(_ context.Context, s *streams, _ []string) error {
		_, err := io.WriteString(s.out, `Verifying is a program of its own, which needs no server and no network:

    witnessmark-verify --log-key KEY PACKAGE.zip

KEY is the log's verifier key, which you got another way than in the package:
'witnessmark keys list' prints it on the server, 'witnessmark checkpoint' asks for it.
`)
		return err
	}
}
