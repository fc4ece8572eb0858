package demo

import (
	"google.golang.org/protobuf/proto"

	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// The two organisations. Nothing and nobody here exists.
const (
	Org      = "tallow-knot"
	orgTitle = "Tallow Knot Rigging (invented)"

	OtherOrg      = "quoin-sound"
	otherOrgTitle = "Quoin Sound Towers (invented)"
)

// The jobs.
const (
	LockedJob      = "gannet-7-sector-a"
	LockedFibreJob = "gannet-7-trunk-1"
	WorkJob        = "gannet-7-sector-b"
	FibreJob       = "gannet-7-trunk-2"
	OtherJob       = "bollard-2-north"
)

const siteZone = "Atlantic/Azores"

// place is open sea: no structure stands there.
var place = &recordv1.Position{Latitude: 36.5, Longitude: -31}

func site(id, title string) *witnessmarkv1.Site {
	return &witnessmarkv1.Site{Name: "sites/" + id, Title: title, Zone: siteZone, Position: place,
		Notes: "Invented. Its place is open sea. South gate, key box by the cabinet."}
}

func people(until string) []*witnessmarkv1.Person {
	type role = witnessmarkv1.Role
	const climber, lead, auditor = witnessmarkv1.Role_CLIMBER, witnessmarkv1.Role_LEAD, witnessmarkv1.Role_AUDITOR
	q := func(names ...string) []*witnessmarkv1.Person_Qualification {
		var out []*witnessmarkv1.Person_Qualification
		for _, n := range names {
			out = append(out, &witnessmarkv1.Person_Qualification{Name: n, Until: until})
		}
		return out
	}
	return []*witnessmarkv1.Person{
		{Name: "people/ada", Title: "Ada Windlass", Roles: []role{climber}, Language: "en", Qualifications: q("climbing", "rescue", "rf-awareness")},
		{Name: "people/bo", Title: "Bo Shackle", Roles: []role{climber}, Language: "es", Qualifications: q("climbing", "rescue", "first-aid", "rf-awareness")},
		{Name: "people/cleo", Title: "Cleo Turnbuckle", Roles: []role{lead}, Language: "en", Qualifications: q("climbing", "rescue", "rigging", "first-aid")},
		{Name: "people/eve", Title: "Eve Lens, auditor of the tower's owner", Roles: []role{auditor}, Language: "en"},
	}
}

// kit is what the office has listed; in and out are days in and out of date.
func kit(in, out, on string) []*witnessmarkv1.Instrument {
	nm := func(v float64) *recordv1.Measure {
		return &recordv1.Measure{Value: v, Unit: recordv1.Measure_NEWTON_METERS}
	}
	return []*witnessmarkv1.Instrument{
		{Name: "instruments/wrench-1", Kind: "torque-wrench", Title: "Torque wrench 1", Serial: "INV-TW-0001", CalibratedUntil: in, CalibratedOn: on, ToolClass: "II A", Minimum: nm(5), Maximum: nm(50)},
		{Name: "instruments/wrench-2", Kind: "torque-wrench", Title: "Torque wrench 2 (out of date)", Serial: "INV-TW-0002", CalibratedUntil: out, ToolClass: "II A", Minimum: nm(5), Maximum: nm(50)},
		{Name: "instruments/analyser-1", Kind: "intermodulation-analyser", Title: "Intermodulation analyser", Serial: "INV-PA-0003", CalibratedUntil: in, CalibratedOn: on},
		{Name: "instruments/source-1", Kind: "intermodulation-source", Title: "Intermodulation source", Serial: "INV-PS-0004", CalibratedUntil: in},
		{Name: "instruments/load-1", Kind: "low-intermodulation-load", Title: "Low-intermodulation load", Serial: "INV-PL-0005", CalibratedUntil: in},
		{Name: "instruments/cable-1", Kind: "test-cable", Title: "Test cable, 3 m", Serial: "INV-TC-0006", CalibratedUntil: in},
		{Name: "instruments/sweep-1", Kind: "sweep-instrument", Title: "Sweep instrument", Serial: "INV-SW-0007", CalibratedUntil: in, CalibratedOn: on, DirectivityDb: proto.Float64(42)},
		{Name: "instruments/light-1", Kind: "light-source-and-meter", Title: "Light source and power meter", Serial: "INV-LM-0008", CalibratedUntil: in},
		{Name: "instruments/scope-1", Kind: "microscope", Title: "Video microscope", Serial: "INV-VM-0009"},
		{Name: "instruments/wind-1", Kind: "anemometer", Title: "Anemometer", Serial: "INV-AN-0010", CalibratedUntil: in},
	}
}

// kitOf picks instruments by kind, the first of each.
func kitOf(list []*witnessmarkv1.Instrument) Kit {
	k := Kit{}
	for _, i := range list {
		if k[i.GetKind()] == "" {
			k[i.GetKind()] = i.GetName()
		}
	}
	return k
}

func coax(id, title string, length float64) *recordv1.Plan_Line {
	return &recordv1.Plan_Line{Id: id, Title: title, Medium: recordv1.Plan_Line_COAX, Band: "B8", LowMhz: proto.Float64(880), HighMhz: proto.Float64(960), LengthMeters: proto.Float64(length),
		Type: "7/8-foam", LossDbPer_100M: proto.Float64(3.9), VelocityFactor: proto.Float64(0.88), MatedPairCount: 2, NearEquipment: "radio", FarEquipment: "antenna"}
}

func connection(id, line, title, iface, position, sector string, height float64) *recordv1.Plan_Connection {
	return &recordv1.Plan_Connection{Id: id, Line: line, Title: title, Interface: iface, Position: position, Sector: sector, HeightMeters: proto.Float64(height),
		MatingParts: []string{iface + " plug on the jumper", iface + " socket"}}
}

func coaxPlan(sector string, lines int) *recordv1.Plan {
	p := &recordv1.Plan{}
	for n := range lines {
		l := sector + string(rune('1'+n))
		p.Lines = append(p.Lines, coax(l, l, 42))
		p.Connections = append(p.Connections,
			connection(l+"-top", l, l+" top", "7-16", "behind the antenna", sector, 38),
			connection(l+"-base", l, l+" base", "7-16", "at the radio", sector, 3))
	}
	return p
}

func fibrePlan(id string) *recordv1.Plan {
	l := &recordv1.Plan_Line{Id: id, Title: id, Medium: recordv1.Plan_Line_FIBRE, Type: "OS2", LengthMeters: proto.Float64(60), MatedPairCount: 2,
		WavelengthsNanometers: []float64{1310, 1550}, NearEquipment: "cabinet", FarEquipment: "radio"}
	c := func(end, position string, height float64) *recordv1.Plan_Connection {
		k := connection(id+"-"+end, id, id+" "+end, "LC", position, "A", height)
		k.Polish = "UPC"
		return k
	}
	return &recordv1.Plan{Lines: []*recordv1.Plan_Line{l}, Connections: []*recordv1.Plan_Connection{c("top", "at the radio", 38), c("base", "in the cabinet", 2)}}
}
