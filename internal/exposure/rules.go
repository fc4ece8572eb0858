package exposure

import "witnessmark/internal/working"

// SARLimit is one limit on absorbed power, in W/kg. No formula here predicts it;
// it is shown beside the others.
type SARLimit struct {
	Tier         Tier
	Part         string
	WattsPerKilo float64
	AverageMin   float64
	Source       working.Source
}

// SARLimits returns the FCC limits on absorbed power.
func SARLimits() []SARLimit {
	s := working.Source{Document: "47 CFR 1.1310", Clause: "absorbed power", Status: working.Confirmed}
	return []SARLimit{
		{Occupational, "whole body", 0.4, 6, s},
		{Occupational, "any 1 g", 8, 6, s},
		{Occupational, "any 10 g in hands, wrists, feet, ankles, ears", 20, 6, s},
		{General, "whole body", 0.08, 30, s},
		{General, "any 1 g", 1.6, 30, s},
		{General, "any 10 g in hands, wrists, feet, ankles, ears", 4, 30, s},
	}
}

// Rule is another figure on exposure that a briefing or a report may show.
type Rule struct {
	Text   string
	Source working.Source
}

// Rules returns the other figures, each with its source.
func Rules() []Rule {
	c, m, p := working.Confirmed, working.FromMemory, working.CommonPractice
	return []Rule{
		{"construction, painting of towers included: 10 mW/cm2", working.Source{Document: "29 CFR 1926.54", Clause: "(l)", Status: c}},
		{"10 mW/cm2 averaged over 0.1 h is voluntary wording that OSHA says it cannot enforce", working.Source{Document: "29 CFR 1910.97", Status: c}},
		{"a state plan may adopt 47 CFR 1.1310 itself", working.Source{Document: "WAC 296-32-22572", Status: c}},
		{"signs by multiple of the limit: information, notice, caution, warning, the last from 10 times the occupational limit", working.Source{Document: "47 CFR 1.1307", Clause: "(b)(4)", Status: m}},
		{"personal monitors alarm at 50 % and 100 % of the occupational limit; a monitor is no leave to stay", working.Source{Status: p}},
		{"a competent person assesses exposure before work and posts temporary signs where the general limit is exceeded; they stay while work goes on", working.Source{Document: "WAC 296-32-22572", Status: c}},
	}
}
