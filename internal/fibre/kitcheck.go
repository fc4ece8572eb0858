package fibre

import (
	"math"

	"witnessmark/internal/metrology"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// KitCheck is what a self-check of a light source, meter and reference cords
// showed. A nil part was not measured.
type KitCheck struct {
	SingleMode bool
	// Steadiness is the change of the reference over a minute.
	Steadiness *units.DB
	// SecondCord is the loss that the second cord adds through an adapter.
	SecondCord *units.DB
	// Movement is the change while the cords are gently moved.
	Movement *units.DB
	// Drift is the change of the reference at the end of the set.
	Drift *units.DB
}

// KitPart is the answer for one part of the check.
type KitPart struct {
	Name     string
	Value    units.DB
	Limit    units.DB
	Measured bool
	Within   bool   // equality is within; false when not measured
	Next     string // what to do when it is not within; empty otherwise
	Source   working.Source
}

// Parts holds a self-check against what is usual. Changes count whatever their
// sign; a second cord that adds a gain means that the reference moved. NaN is
// never within.
func (k KitCheck) Parts() []KitPart {
	practice := working.Source{Document: "test kit isolation: add one part at a time", Status: working.CommonPractice}
	name := ReferenceToRefMM
	if k.SingleMode {
		name = ReferenceToRefSM
	}
	cord := KitPart{Name: "added loss of the second cord", Next: "clean once, then change the second cord, then the adapter"}
	for _, a := range Allowances() {
		if a.Name == name {
			cord.Limit, cord.Source = a.High, a.Source
		}
	}
	parts := []KitPart{
		{Name: "steadiness over a minute", Limit: 0.1, Source: practice, Next: "clean the ports, let the source warm up, change the first cord"},
		cord,
		{Name: "change when the cords are moved", Limit: 0.1, Source: practice, Next: "the cord is suspect; on multimode check the mandrel or launch conditioner"},
		{Name: "drift from the reference", Limit: 0.1, Source: practice, Next: "repeat the whole set: the reference moved"},
	}
	for i, v := range []*units.DB{k.Steadiness, k.SecondCord, k.Movement, k.Drift} {
		p := &parts[i]
		if v == nil {
			p.Next = ""
			continue
		}
		p.Value, p.Measured = *v, true
		size := math.Abs(float64(*v))
		if i == 1 && *v < 0 {
			size = math.Inf(1)
			p.Next = "more light through two cords than through one: set the reference again"
		}
		p.Within = !math.IsNaN(size) && metrology.AtMost(float64(p.Limit)).Holds(size)
		if p.Within {
			p.Next = ""
		}
	}
	return parts
}

// Caution stands with every step at an open fibre: IEC 60825-2:2021 sets the
// hazard levels by location.
const Caution = "Treat every fibre as live. Never look into a connector, nor at it through a direct-view microscope; " +
	"prove it dark with a power meter. Telecom light is invisible (IEC 60825-2:2021)."
