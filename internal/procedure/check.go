package procedure

import (
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// check adds every problem of p to d.
func check(d *document, p *recordv1.Procedure) {
	if len(p.GetSections()) == 0 {
		d.add("sections", "a procedure has at least one section")
	}
}
