package main

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/client"
	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	"witnessmark/internal/units"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// ---- people ----

func setupPeopleList(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		var list []*witnessmarkv1.Person
		err := pages(func(token string) (string, error) {
			p, err := c.People.ListPeople(ctx, &witnessmarkv1.ListPeopleRequest{PageSize: 1000, PageToken: token})
			list = append(list, p.GetPeople()...)
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		t := table{head: []string{"PERSON", "NAME", "ROLES", "QUALIFICATIONS"}}
		for _, p := range list {
			var roles, quals []string
			for _, x := range p.GetRoles() {
				roles = append(roles, word(x))
			}
			for _, q := range p.GetQualifications() {
				quals = append(quals, strings.TrimSuffix(q.GetName()+":"+q.GetUntil(), ":"))
			}
			title := p.GetTitle()
			if p.GetDisabled() {
				title += " (disabled)"
			}
			t.add(bare(p.GetName()), title, strings.Join(roles, ","), strings.Join(quals, " "))
		}
		return t.print(s.out, false)
	})
}

// roles reads a list of roles as people write it.
func roles(text string) ([]witnessmarkv1.Role, error) {
	var out []witnessmarkv1.Role
	for _, w := range commas(text) {
		n, ok := witnessmarkv1.Role_value[strings.ToUpper(w)]
		if !ok || n == 0 {
			return nil, usagef("--roles: %q is no role; they are climber, lead, auditor and office", w)
		}
		out = append(out, witnessmarkv1.Role(n))
	}
	return out, nil
}

func setupPeopleAdd(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	role := f.word("roles", "ROLES", "climber", "climber, lead, auditor, office; commas between them")
	language := f.word("language", "TAG", "en", "the language that the person reads, en or es")
	quals := f.words("qualification", "NAME[:DAY]", "what the person is qualified for, and its last day")
	return r.call([]string{"ID", "NAME"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		rs, err := roles(*role)
		if err != nil {
			return err
		}
		p := &witnessmarkv1.Person{Name: named("people", args[0]), Title: args[1], Roles: rs, Language: *language}
		for _, q := range *quals {
			name, day, _ := strings.Cut(q, ":")
			p.Qualifications = append(p.Qualifications, &witnessmarkv1.Person_Qualification{Name: name, Until: day})
		}
		p, err = c.People.CreatePerson(ctx, &witnessmarkv1.CreatePersonRequest{Person: p})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, p)
		}
		_, err = fmt.Fprintln(s.out, bare(p.GetName()))
		return err
	})
}

func setupPeopleCode(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	qr := f.word("qr", "FILE.png", "", "write the QR code too")
	draw := f.local("draw", "draw the QR code in the terminal too")
	return r.call([]string{"ID"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		k, err := c.Devices.CreateEnrollmentCode(ctx, &witnessmarkv1.CreateEnrollmentCodeRequest{Person: named("people", args[0])})
		if err != nil {
			return err
		}
		if *qr != "" {
			if err := writeSynced(*qr, k.GetQrPng()); err != nil {
				return err
			}
		}
		if *r.json {
			return printMessage(s.out, k)
		}
		if *draw {
			if err := drawQR(s.out, k.GetUri()); err != nil {
				return err
			}
		}
		_, err = fmt.Fprintf(s.out, "%s\n%s\nonce, until %s\n", k.GetCode(), k.GetUri(), when(k.GetExpireTime()))
		return err
	})
}

// ---- devices ----

func setupDevicesList(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	person := f.word("person", "ID", "", "only this person's")
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		var list []*witnessmarkv1.Device
		err := pages(func(token string) (string, error) {
			p, err := c.Devices.ListDevices(ctx, &witnessmarkv1.ListDevicesRequest{Person: named("people", *person), PageSize: 1000, PageToken: token})
			list = append(list, p.GetDevices()...)
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		t := table{head: []string{"DEVICE", "PERSON", "TITLE", "LAST SEEN", "UNSENT", "REVOKED"}}
		for _, d := range list {
			t.add(bare(d.GetName()), bare(d.GetPerson()), d.GetTitle(), when(d.GetLastSeenTime()), strconv.FormatInt(d.GetUnsentCount(), 10), when(d.GetRevokeTime()))
		}
		return t.print(s.out, false)
	})
}

func setupDevicesRevoke(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	reason := f.word("reason", "TEXT", "", "why, such as lost")
	return r.call([]string{"DEVICE"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		d, err := c.Devices.RevokeDevice(ctx, &witnessmarkv1.RevokeDeviceRequest{Name: named("devices", args[0]), Reason: *reason})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, d)
		}
		_, err = fmt.Fprintf(s.out, "%s is revoked since %s; what it signed before stays good\n", bare(d.GetName()), when(d.GetRevokeTime()))
		return err
	})
}

// ---- sites ----

func setupSitesList(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		var list []*witnessmarkv1.Site
		err := pages(func(token string) (string, error) {
			p, err := c.Setup.ListSites(ctx, &witnessmarkv1.ListSitesRequest{PageSize: 1000, PageToken: token})
			list = append(list, p.GetSites()...)
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		t := table{head: []string{"SITE", "ZONE", "LATITUDE", "LONGITUDE", "TITLE"}}
		for _, x := range list {
			t.add(bare(x.GetName()), x.GetZone(), fmt.Sprintf("%.5f", x.GetPosition().GetLatitude()), fmt.Sprintf("%.5f", x.GetPosition().GetLongitude()), x.GetTitle())
		}
		return t.print(s.out, false)
	})
}

func setupSitesAdd(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	zone := f.word("zone", "ZONE", "", "IANA time zone, such as Europe/Madrid")
	at := f.word("at", "LAT,LON", "", "latitude and longitude in degrees, north and east positive")
	notes := f.word("notes", "TEXT", "", "how to get in, and other words for the crew")
	return r.call([]string{"ID", "TITLE"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		where, err := position(*at)
		if err != nil {
			return err
		}
		site, err := c.Setup.CreateSite(ctx, &witnessmarkv1.CreateSiteRequest{Site: &witnessmarkv1.Site{Name: named("sites", args[0]), Title: args[1], Zone: *zone,
			Position: where, Notes: *notes}})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, site)
		}
		_, err = fmt.Fprintln(s.out, bare(site.GetName()))
		return err
	})
}

// ---- instruments ----

func setupInstrumentsList(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		var list []*witnessmarkv1.Instrument
		err := pages(func(token string) (string, error) {
			p, err := c.Setup.ListInstruments(ctx, &witnessmarkv1.ListInstrumentsRequest{PageSize: 1000, PageToken: token})
			list = append(list, p.GetInstruments()...)
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		today := s.now().UTC().Format("2006-01-02")
		t := table{head: []string{"INSTRUMENT", "KIND", "SERIAL", "IN DATE UNTIL", "TITLE"}}
		for _, x := range list {
			until := orNone(x.GetCalibratedUntil())
			if x.GetCalibratedUntil() != "" && x.GetCalibratedUntil() < today {
				until += " OUT OF DATE"
			}
			t.add(bare(x.GetName()), x.GetKind(), x.GetSerial(), until, x.GetTitle())
		}
		return t.print(s.out, false)
	})
}

func setupInstrumentsAdd(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	serial := f.word("serial", "TEXT", "", "serial number")
	until := f.word("until", "DAY", "", "in date through the end of this day, YYYY-MM-DD")
	on := f.word("calibrated", "DAY", "", "last calibration, YYYY-MM-DD")
	class := f.word("class", "TEXT", "", "class of a torque tool, such as \"II A\"")
	least := f.word("min", "VALUE", "", "smallest value that it is made for, such as \"5 N·m\"")
	most := f.word("max", "VALUE", "", "largest value that it is made for")
	directivity := f.word("directivity", "DB", "", "directivity of a sweep instrument, dB")
	uncertainty := f.word("uncertainty", "VALUE", "", "expanded uncertainty, k = 2, in the unit that it shows")
	remark := f.word("remark", "TEXT", "", "remark, such as the certificate's number")
	return r.call([]string{"ID", "KIND", "TITLE"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		i := &witnessmarkv1.Instrument{Name: named("instruments", args[0]), Kind: args[1], Title: args[2], Serial: *serial, CalibratedUntil: *until, CalibratedOn: *on, ToolClass: *class, Remark: *remark}
		var err error
		if i.Minimum, err = value("--min", *least); err != nil {
			return err
		}
		if i.Maximum, err = value("--max", *most); err != nil {
			return err
		}
		if i.DirectivityDb, err = decimal("--directivity", *directivity); err != nil {
			return err
		}
		if i.ExpandedUncertainty, err = decimal("--uncertainty", *uncertainty); err != nil {
			return err
		}
		i, err = c.Setup.CreateInstrument(ctx, &witnessmarkv1.CreateInstrumentRequest{Instrument: i})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, i)
		}
		_, err = fmt.Fprintln(s.out, bare(i.GetName()))
		return err
	})
}

// value reads a number with its unit, as people type it.
func value(option, text string) (*recordv1.Measure, error) {
	if text == "" {
		return nil, nil
	}
	var all []units.Dimension
	for _, u := range units.Units() {
		if d := u.Dimension(); !slices.Contains(all, d) {
			all = append(all, d)
		}
	}
	p, err := units.Parse(text, units.Expectation{Field: option, Dimensions: all})
	if err != nil {
		return nil, err
	}
	if !p.Unit.Valid() {
		return nil, usagef("%s is %q; it wants its unit too, such as \"50 N·m\"", option, text)
	}
	m := &recordv1.Measure{Typed: text, Value: p.Value, Unit: recordv1.Measure_Unit(recordv1.Measure_Unit_value[string(p.Unit)])}
	if err := limits.CheckTyped(text, m.GetValue(), m.GetUnit()); err != nil {
		return nil, err
	}
	return m, nil
}

func decimal(option, text string) (*float64, error) {
	if text == "" {
		return nil, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return nil, usagef("%s is %q; it is a number", option, text)
	}
	return proto.Float64(v), nil
}

// ---- grants, links, custody ----

func setupGrantsList(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		var list []*witnessmarkv1.Grant
		err := pages(func(token string) (string, error) {
			p, err := c.Grants.ListGrants(ctx, &witnessmarkv1.ListGrantsRequest{PageSize: 1000, PageToken: token})
			list = append(list, p.GetGrants()...)
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		t := table{head: []string{"GRANT", "PERSON", "SITES", "JOBS", "FROM", "TO", "ENDS", "REVOKED"}}
		for _, g := range list {
			all := func(l []string) string {
				if len(l) == 0 {
					return "all"
				}
				return bares(l)
			}
			t.add(bare(g.GetName()), bare(g.GetPerson()), all(g.GetSites()), all(g.GetJobs()), g.GetFromDay(), g.GetToDay(), when(g.GetExpireTime()), when(g.GetRevokeTime()))
		}
		return t.print(s.out, false)
	})
}

func setupGrantsAdd(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	sites := f.words("sites", "IDS", "only these sites, commas between them")
	jobs := f.words("jobs", "IDS", "only these jobs, commas between them")
	from := f.word("from", "DAY", "", "only jobs opened on or after this day")
	to := f.word("to", "DAY", "", "only jobs opened on or before this day")
	end := f.word("until", "MOMENT", "720h", "when the grant ends: a day, a time, or a duration from now")
	return r.call([]string{"PERSON"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		expire, err := until(*end, s.now())
		if err != nil {
			return err
		}
		g, err := c.Grants.CreateGrant(ctx, &witnessmarkv1.CreateGrantRequest{Grant: &witnessmarkv1.Grant{Person: named("people", args[0]), Sites: names("sites", *sites), Jobs: names("jobs", *jobs),
			FromDay: *from, ToDay: *to, ExpireTime: expire}})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, g)
		}
		_, err = fmt.Fprintf(s.out, "%s, until %s\n", bare(g.GetName()), when(g.GetExpireTime()))
		return err
	})
}

func setupGrantsRevoke(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call([]string{"GRANT"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		g, err := c.Grants.RevokeGrant(ctx, &witnessmarkv1.RevokeGrantRequest{Name: named("grants", args[0])})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, g)
		}
		_, err = fmt.Fprintf(s.out, "%s is revoked since %s\n", bare(g.GetName()), when(g.GetRevokeTime()))
		return err
	})
}

func setupShareList(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	job := f.word("job", "JOB", "", "only those of this job")
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		var list []*witnessmarkv1.ShareLink
		err := pages(func(token string) (string, error) {
			p, err := c.Grants.ListShareLinks(ctx, &witnessmarkv1.ListShareLinksRequest{Job: named("jobs", *job), PageSize: 1000, PageToken: token})
			list = append(list, p.GetShareLinks()...)
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		t := table{head: []string{"LINK", "JOB", "CODE", "ENDS", "REVOKED", "TITLE"}}
		for _, l := range list {
			t.add(bare(l.GetName()), bare(l.GetJob()), yesNo(l.GetHasCode()), when(l.GetExpireTime()), when(l.GetRevokeTime()), l.GetTitle())
		}
		return t.print(s.out, false)
	})
}

func setupShareAdd(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	title := f.word("title", "TEXT", "", "for whom, in words")
	end := f.word("until", "MOMENT", "", "when it ends: a day, a time, or a duration from now (default: in 14 days)")
	code := f.secret("share-code", "a code of 4 to 12 digits that the link asks for too")
	return r.call([]string{"JOB"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		expire, err := until(*end, s.now())
		if err != nil {
			return err
		}
		l, err := c.Grants.CreateShareLink(ctx, &witnessmarkv1.CreateShareLinkRequest{ShareLink: &witnessmarkv1.ShareLink{Job: named("jobs", args[0]), Title: *title, ExpireTime: expire, Code: code}})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, l)
		}
		_, err = fmt.Fprintf(s.out, "%s\n%s, until %s; the address is not shown again\n", l.GetUri(), bare(l.GetName()), when(l.GetExpireTime()))
		return err
	})
}

func setupShareRevoke(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call([]string{"LINK"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		l, err := c.Grants.RevokeShareLink(ctx, &witnessmarkv1.RevokeShareLinkRequest{Name: named("shareLinks", args[0])})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, l)
		}
		_, err = fmt.Fprintf(s.out, "%s is revoked since %s\n", bare(l.GetName()), when(l.GetRevokeTime()))
		return err
	})
}

func setupCustody(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	job := f.word("job", "JOB", "", "only of this job")
	most := f.number("limit", "N", 100, "how many, newest first")
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		if *most < 1 {
			return usagef("--limit is %d; it is 1 or more", *most)
		}
		var list []*witnessmarkv1.CustodyLine
		err := pages(func(token string) (string, error) {
			p, err := c.Grants.ListCustody(ctx, &witnessmarkv1.ListCustodyRequest{Job: named("jobs", *job), PageSize: int32(min(*most-len(list), 1000)), PageToken: token})
			list = append(list, p.GetLines()...)
			if len(list) >= *most {
				return "", err
			}
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		t := table{head: []string{"TIME", "WHO", "DID", "JOB", "SUBJECT"}}
		for _, l := range list {
			t.add(when(l.GetTime()), l.GetWho(), l.GetAction(), bare(l.GetJob()), l.GetSubject())
		}
		return t.print(s.out, false)
	})
}

// ---- procedures on the server ----

func setupProcedurePublish(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	shipped := f.local("shipped", "FILE is the id of a procedure that comes with the program, or 'all'")
	return r.call([]string{"FILE"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		var docs [][]byte
		switch {
		case *shipped:
			ids := procedure.Shipped()
			if args[0] != "all" {
				ids = slices.DeleteFunc(ids, func(id string) bool { return id != args[0] })
				if len(ids) == 0 {
					return usagef("no procedure %q comes with the program; they are %s", args[0], strings.Join(procedure.Shipped(), ", "))
				}
			}
			for _, id := range ids {
				doc, err := procedure.ShippedDocument(id)
				if err != nil {
					return err
				}
				docs = append(docs, doc)
			}
		default:
			if _, err := compile(s, args[0], *r.json); err != nil {
				return err
			}
			doc, err := readFile(s, args[0], procedure.MaxDocument)
			if err != nil {
				return err
			}
			whole, err := include(args[0], doc)
			if err != nil {
				return problems(s, args[0], err, *r.json)
			}
			docs = [][]byte{whole}
		}
		for _, doc := range docs {
			p, err := c.Setup.PublishProcedure(ctx, &witnessmarkv1.PublishProcedureRequest{Document: doc})
			if err != nil {
				return err
			}
			if *r.json {
				p.Document, p.Content = nil, nil
				if err := printMessage(s.out, p); err != nil {
					return err
				}
				continue
			}
			if _, err := fmt.Fprintf(s.out, "%s\n", p.GetName()); err != nil {
				return err
			}
		}
		return nil
	})
}

func setupProcedureList(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	id := f.word("procedure", "ID", "", "only of this procedure")
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		var list []*witnessmarkv1.ProcedureRevision
		err := pages(func(token string) (string, error) {
			p, err := c.Setup.ListProcedureRevisions(ctx, &witnessmarkv1.ListProcedureRevisionsRequest{Procedure: *id, PageSize: 1000, PageToken: token})
			list = append(list, p.GetRevisions()...)
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		t := table{head: []string{"PROCEDURE", "REVISION", "PUBLISHED", "DIGEST", "TITLE"}}
		for _, p := range list {
			t.add(p.GetProcedure(), p.GetRevision(), when(p.GetCreateTime()), p.GetDigest(), p.GetTitle())
		}
		return t.print(s.out, false)
	})
}
