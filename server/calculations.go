package server

import (
	"context"

	"witnessmark/internal/calc"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// calculations implements CalculationService.
type calculations struct {
	witnessmarkv1.UnimplementedCalculationServiceServer
	s *Server
}

func (calculations) ListCalculations(context.Context, *witnessmarkv1.ListCalculationsRequest) (*witnessmarkv1.ListCalculationsResponse, error) {
	out := &witnessmarkv1.ListCalculationsResponse{}
	for _, c := range calc.All() {
		v := &witnessmarkv1.Calculation{Name: named("calculations", c.Name), Title: c.Title}
		for _, p := range c.Parameters {
			v.Parameters = append(v.Parameters, &witnessmarkv1.Calculation_Parameter{Name: p.Name, Help: p.Help, Unit: p.Unit, DefaultValue: p.Default, Choices: p.Choices, List: p.List})
		}
		out.Calculations = append(out.Calculations, v)
	}
	return out, nil
}

func (calculations) Calculate(_ context.Context, r *witnessmarkv1.CalculateRequest) (*witnessmarkv1.CalculateResponse, error) {
	c, err := calc.Named(bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	w, err := c.Do(r.GetParameters())
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.CalculateResponse{Formula: w.Formula, Inputs: termsView(w.Inputs), Steps: termsView(w.Steps), Results: termsView(w.Result),
		Cautions: w.Cautions, LeftOut: w.LeftOut, Defers: w.Defers, Text: w.Text()}
	for _, s := range w.Sources {
		out.Sources = append(out.Sources, s.String())
	}
	return out, nil
}
