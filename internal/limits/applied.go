package limits

import recordv1 "witnessmark/proto/gen/witnessmark/record/v1"

// Applied is a limit as a view shows it before anything was judged against it:
// numbers, source as it is printed, rule. It has no guard band, which depends on
// the reading. nil where no limit applies.
func Applied(l Resolved) *recordv1.Assessment_AppliedLimit {
	if l.None {
		return nil
	}
	return &recordv1.Assessment_AppliedLimit{
		Lower: l.Lower, Upper: l.Upper, Unit: l.Unit,
		Source: SourceText(l.Source), Standing: l.Source.GetStanding(), Rule: ruleText(l.Decision),
	}
}

// Convert converts a value between units of one dimension.
//
// The error is Invalid where the two do not measure the same thing.
func Convert(value float64, from, to recordv1.Measure_Unit) (float64, error) {
	return convert(value, from, to)
}
