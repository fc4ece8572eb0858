package fibre_test

import (
	"math"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/fibre"
	"witnessmark/internal/units"
)

// No number that a stranger sends makes a figure that is not one: a result is
// finite, or the error is Invalid.
func FuzzArithmetic(f *testing.F) {
	f.Add(1.0, 2.0, 1.4677, 10)
	f.Add(math.NaN(), math.Inf(1), 0.0, -1)
	f.Add(5e-324, math.MaxFloat64, 3.0, 1_000_000)
	f.Fuzz(func(t *testing.T, a, b, n float64, count int) {
		check := func(name string, err error, vs ...float64) {
			if err != nil {
				if errs.KindOf(err) != errs.Invalid {
					t.Errorf("%s(%v, %v, %v, %d) = %v; want Invalid", name, a, b, n, count, err)
				}
				return
			}
			for _, v := range vs {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Errorf("%s(%v, %v, %v, %d) = %v", name, a, b, n, count, vs)
				}
			}
		}
		budget, err := fibre.LossBudget(fibre.Link{
			Length: units.Meters(a), Attenuation: units.DBPerKilometer(b),
			Connections: []fibre.BudgetItem{{Name: "pair", Count: count, Each: units.DB(n)}},
		})
		check("LossBudget", err, float64(budget.Total), float64(budget.FibreShare), float64(budget.ConnectionShare))
		v, err := fibre.CoefficientFromTest(units.DB(a), units.DB(b), units.Meters(n))
		check("CoefficientFromTest", err, float64(v))
		mw, err := fibre.Milliwatts(units.DBm(a))
		check("Milliwatts", err, mw)
		dbm, err := fibre.DBmFromMilliwatts(a)
		check("DBmFromMilliwatts", err, float64(dbm))
		m, err := fibre.PowerMargin(units.DBm(a), units.DBm(b), units.DB(n))
		check("PowerMargin", err, float64(m))
		rl, err := fibre.ReturnLossOfPowers(a, b)
		check("ReturnLossOfPowers", err, float64(rl))
		share, rl, err := fibre.OpenEnd(n)
		check("OpenEnd", err, share, float64(rl))
		rl, err = fibre.TotalReturnLoss([]fibre.Reflection{{units.DB(a), units.DB(b)}, {units.DB(n), 0}})
		check("TotalReturnLoss", err, float64(rl))
		d, err := fibre.Distance(a, n)
		check("Distance", err, float64(d))
		s, err := fibre.RoundTrip(units.Meters(a), n)
		check("RoundTrip", err, s)
		d, err = fibre.CorrectIndex(units.Meters(a), b, n)
		check("CorrectIndex", err, float64(d))
		d, err = fibre.PulseLength(time.Duration(count), n)
		check("PulseLength", err, float64(d))
		at, err := fibre.TwoPointLoss(fibre.Point{At: units.Meters(a), Level: units.DB(n)}, fibre.Point{At: units.Meters(b), Level: units.DB(a)})
		check("TwoPointLoss", err, float64(at))
		d, err = fibre.CableLength(units.Meters(a), b)
		check("CableLength", err, float64(d))
		verdict, err := fibre.JudgeLosses([]fibre.LossReading{
			{units.Nanometers(n), fibre.AToB, units.DB(a), units.DB(b)}, {1550, fibre.BToA, units.DB(b), units.DB(a)},
		})
		check("JudgeLosses", err)
		if err == nil && verdict.Within && (a > b+1e-6 || b > a+1e-6) {
			t.Errorf("JudgeLosses passes %v against %v and the other way round", a, b)
		}
	})
}
