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
