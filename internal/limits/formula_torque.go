package limits

import (
	"strings"

	"witnessmark/internal/torque"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func init() {
	register(&Formula{
		Name:  "coupling_torque",
		Title: "Coupling torque of the connection's interface",
		Form:  "the interface's accepted settings; one recommended value V becomes V·(1 − t/100) to V·(1 + t/100)",
		Gives: "lower and upper torque in N·m; no limit where the coupling takes no wrench or no value is held",
		Quantities: []recordv1.Quantity{
			recordv1.Quantity_TORQUE,
		},
		Parameters: []Parameter{{
			Name: "tolerance_percent", Unit: "%", Optional: true, Default: 6, Min: 0, Max: 50,
			Meaning: "t: how far a setting may lie from an interface's single recommended value; 6 % is the permitted deviation of a small tool (ISO 6789-1:2017)",
		}},
		NeedsConnection: true,
		FromPlan: []string{
			"the connection's interface: 7-16, 4.3-10, 4.1-9.5, 2.2-5, N, SMA",
			"the connection's attribute coupling, where an interface has several: screw, hand-screw, quick-lock; precision for N; brass for SMA",
		},
		Sources: torqueSources(),
		LeftOut: []string{"what the tool really delivered: see the tool's class in the verdict"},
		compute: couplingTorque,
	})
}

func torqueSources() []string {
	var out []string
	for _, i := range torque.Interfaces() {
		if i.Preset.Held() {
			out = append(out, i.Title+": "+i.PresetSource.String())
		}
	}
	return out
}

// interfaceOf finds the torque data of a plan's interface name. The plan says
// "4.3-10" where the data know several couplings: the connection's attribute
// coupling decides, and without it the one that takes a wrench.
func interfaceOf(name, coupling string) (torque.Interface, bool) {
	n := strings.ToLower(strings.Join(strings.Fields(name), "-"))
	n = strings.ReplaceAll(n, "/", "-")
	n = strings.TrimSuffix(strings.TrimSuffix(n, "-din"), "-type")
	n = strings.TrimPrefix(n, "type-")
	if rest, ok := strings.CutPrefix(n, "q4."); ok { // Q4.1-9.5 is the quick-lock form
		n, coupling = "4."+rest, "quick-lock"
	}
	c := strings.ToLower(strings.Join(strings.Fields(coupling), "-"))
	tries := []string{n}
	if c != "" {
		tries = []string{n + "-" + c, n}
	}
	tries = append(tries, n+"-screw", n+"-stainless")
	for _, t := range tries {
		if i, ok := interfaces[torque.InterfaceName(t)]; ok {
			return i, true
		}
	}
	return torque.Interface{}, false
}

// interfaces is the table of package torque by name: it is asked for each
// connection of a plan.
var interfaces = func() map[torque.InterfaceName]torque.Interface {
	out := map[torque.InterfaceName]torque.Interface{}
	for _, i := range torque.Interfaces() {
		out[i.Name] = i
	}
	return out
}()

func couplingTorque(in *inputs, r *Resolved) error {
	name := in.s.Connection.GetInterface()
	if name == "" {
		return in.needs("the connection's interface")
	}
	coupling, _ := in.s.Attribute("coupling")
	i, ok := interfaceOf(name, coupling)
	switch {
	case !ok:
		r.None = true
		r.Note = joined(r.Note, "No coupling torque is held for "+name+": take it from the connector's data sheet.")
		return nil
	case i.Coupling == torque.ByHand || i.Coupling == torque.ByLock:
		r.None = true
		r.Note = joined(r.Note, i.Title+": "+string(i.Coupling)+".")
		return nil
	case !i.Preset.Held():
		r.None = true
		r.Note = joined(r.Note, "No coupling torque is held for "+i.Title+": take it from the connector's data sheet.")
		return nil
	}
	in.founded(i.PresetSource.Status)
	in.document = &i.PresetSource
	low, high := float64(i.Preset.Low), float64(i.Preset.High)
	if low == high {
		t, err := in.number("tolerance_percent")
		if err != nil {
			return err
		}
		in.term("recommended torque", low, "N·m")
		in.term("tolerance", t, "%")
		low, high = low*(1-t/100), high*(1+t/100)
	}
	in.term("lower", low, "N·m")
	in.term("upper", high, "N·m")
	r.lower(low, newtonMeters)
	r.upper(high, newtonMeters)
	r.Note = joined(r.Note, i.PresetSource.String()+".")
	return nil
}

func joined(a, b string) string { return strings.TrimSpace(a + " " + b) }
