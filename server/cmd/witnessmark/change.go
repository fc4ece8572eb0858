package main

import (
	"context"
	"flag"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/client"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// given says whether an option stands on the command line. A change touches only
// what is named: everything else stays as it is.
func (f *flags) given(name string) bool {
	there := false
	f.set.Visit(func(o *flag.Flag) { there = there || o.Name == name })
	return there
}

// anyGiven reports whether one of the command's own options stands on the line.
func (f *flags) anyGiven(names ...string) bool { return slices.ContainsFunc(names, f.given) }

// truth reads true or false.
func truth(option, text string) (bool, error) {
	b, err := strconv.ParseBool(text)
	if err != nil {
		return false, usagef("--%s is %q; it is true or false", option, text)
	}
	return b, nil
}

// ---- photos ----

func setupPhotosRedact(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	regions := f.words("region", "LEFT,TOP,WIDTH,HEIGHT", "what to fill in, in shares of the upright picture, such as 0.1,0.2,0.3,0.15")
	reason := f.word("reason", "TEXT", "", "why; needed")
	return r.call([]string{"JOB", "DIGEST"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		if len(*regions) == 0 || *reason == "" {
			return usagef("--region and --reason are needed")
		}
		req := &witnessmarkv1.RedactPhotoRequest{Job: named("jobs", args[0]), Digest: args[1], Reason: *reason}
		for _, text := range *regions {
			parts := strings.Split(text, ",")
			var v [4]float64
			var err error
			for i := 0; i < len(v) && len(parts) == len(v) && err == nil; i++ {
				v[i], err = strconv.ParseFloat(strings.TrimSpace(parts[i]), 64)
			}
			if err != nil || len(parts) != len(v) {
				return usagef("--region is %q; it is left, top, width and height in shares of 1, such as 0.1,0.2,0.3,0.15", text)
			}
			req.Regions = append(req.Regions, &recordv1.PhotoRedacted_Region{Left: v[0], Top: v[1], Width: v[2], Height: v[3]})
		}
		res, err := c.Evidence.RedactPhoto(ctx, req)
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, res)
		}
		_, err = fmt.Fprintf(s.out, "%s\nline %d; the original stays as it is, and this copy is shown through links\n", res.GetCopyDigest(), res.GetSeq())
		return err
	})
}

func setupPhotosHold(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	reason := f.word("reason", "TEXT", "", "why; needed")
	return r.call([]string{"JOB", "on|off"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		if args[1] != "on" && args[1] != "off" {
			return usagef("%q is neither on nor off", args[1])
		}
		if *reason == "" {
			return usagef("--reason is needed")
		}
		res, err := c.Evidence.SetLegalHold(ctx, &witnessmarkv1.SetLegalHoldRequest{Job: named("jobs", args[0]), On: args[1] == "on", Reason: *reason})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, res)
		}
		how := "the store enforces it"
		if !res.GetEnforced() {
			how = "the store cannot enforce it: the seal is the proof"
		}
		_, err = fmt.Fprintf(s.out, "legal hold %s for %d originals; %s\n", args[1], res.GetFileCount(), how)
		return err
	})
}

func setupPhotosTwins(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call([]string{"JOB", "DIGEST"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		res, err := c.Evidence.FindTwins(ctx, &witnessmarkv1.FindTwinsRequest{Job: named("jobs", args[0]), Digest: args[1]})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, res.GetTwins())
		}
		t := table{head: []string{"JOB", "DIGEST", "BITS THAT DIFFER"}}
		for _, w := range res.GetTwins() {
			t.add(bare(w.GetJob()), w.GetDigest(), fmt.Sprintf("%d of 256", w.GetDistance()))
		}
		return t.print(s.out, false)
	})
}

// ---- people, sites, instruments ----

func setupPeopleUpdate(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	title := f.word("title", "NAME", "", "what people call the person")
	role := f.word("roles", "ROLES", "", "climber, lead, auditor, office; commas between them; all of them anew")
	language := f.word("language", "TAG", "", "the language that the person reads, en or es")
	quals := f.words("qualification", "NAME[:DAY]", "a qualification and its last day; one of that name is replaced")
	without := f.words("without", "NAME", "a qualification that the person has no more")
	disabled := f.word("disabled", "true|false", "", "true: cannot sign in any more, and is signed out everywhere")
	return r.call([]string{"ID"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		if !f.anyGiven("title", "roles", "language", "qualification", "without", "disabled") {
			return usagef("say what changes; see 'witnessmark help people update'")
		}
		p, err := c.People.GetPerson(ctx, &witnessmarkv1.GetPersonRequest{Name: named("people", args[0])})
		if err != nil {
			return err
		}
		if f.given("title") {
			p.Title = *title
		}
		if f.given("language") {
			p.Language = *language
		}
		if f.given("roles") {
			if p.Roles, err = roles(*role); err != nil {
				return err
			}
		}
		drop := func(name string) bool {
			before := len(p.Qualifications)
			p.Qualifications = slices.DeleteFunc(p.Qualifications, func(q *witnessmarkv1.Person_Qualification) bool { return q.GetName() == name })
			return len(p.Qualifications) < before
		}
		for _, name := range *without {
			if !drop(name) {
				return usagef("--without: %s has no qualification %q", bare(p.GetName()), name)
			}
		}
		for _, q := range *quals {
			name, day, _ := strings.Cut(q, ":")
			drop(name)
			p.Qualifications = append(p.Qualifications, &witnessmarkv1.Person_Qualification{Name: name, Until: day})
		}
		if f.given("disabled") {
			if p.Disabled, err = truth("disabled", *disabled); err != nil {
				return err
			}
		}
		if p, err = c.People.UpdatePerson(ctx, &witnessmarkv1.UpdatePersonRequest{Person: p}); err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, p)
		}
		_, err = fmt.Fprintf(s.out, "%s is changed\n", bare(p.GetName()))
		return err
	})
}

// position reads latitude and longitude as people type them.
func position(text string) (*recordv1.Position, error) {
	lat, lon, ok := strings.Cut(text, ",")
	y, err1 := strconv.ParseFloat(strings.TrimSpace(lat), 64)
	x, err2 := strconv.ParseFloat(strings.TrimSpace(lon), 64)
	if !ok || err1 != nil || err2 != nil {
		return nil, usagef("--at is %q; it is latitude and longitude, such as 36.50000,-31.00000", text)
	}
	return &recordv1.Position{Latitude: y, Longitude: x}, nil
}

func setupSitesUpdate(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	title := f.word("title", "TEXT", "", "what people call it")
	zone := f.word("zone", "ZONE", "", "IANA time zone, such as Europe/Madrid")
	at := f.word("at", "LAT,LON", "", "latitude and longitude in degrees, north and east positive")
	notes := f.word("notes", "TEXT", "", "how to get in, and other words for the crew")
	return r.call([]string{"ID"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		if !f.anyGiven("title", "zone", "at", "notes") {
			return usagef("say what changes; see 'witnessmark help sites update'")
		}
		x, err := c.Setup.GetSite(ctx, &witnessmarkv1.GetSiteRequest{Name: named("sites", args[0])})
		if err != nil {
			return err
		}
		for name, to := range map[string]struct{ from, into *string }{"title": {title, &x.Title}, "zone": {zone, &x.Zone}, "notes": {notes, &x.Notes}} {
			if f.given(name) {
				*to.into = *to.from
			}
		}
		if f.given("at") {
			if x.Position, err = position(*at); err != nil {
				return err
			}
		}
		if x, err = c.Setup.UpdateSite(ctx, &witnessmarkv1.UpdateSiteRequest{Site: x}); err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, x)
		}
		_, err = fmt.Fprintf(s.out, "%s is changed; jobs that are open keep what they were opened with\n", bare(x.GetName()))
		return err
	})
}

func setupInstrumentsUpdate(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	title := f.word("title", "TEXT", "", "what people call it")
	serial := f.word("serial", "TEXT", "", "serial number")
	until := f.word("until", "DAY", "", "calibration: in date through the end of this day, YYYY-MM-DD")
	on := f.word("calibrated", "DAY", "", "calibration: when, YYYY-MM-DD")
	class := f.word("class", "TEXT", "", "class of a torque tool, such as \"II A\"")
	remark := f.word("remark", "TEXT", "", "remark, such as the certificate's number")
	least := f.word("min", "VALUE", "", "smallest value that it is made for, such as \"5 N·m\"")
	most := f.word("max", "VALUE", "", "largest value that it is made for")
	directivity := f.word("directivity", "DB", "", "directivity of a sweep instrument, dB")
	uncertainty := f.word("uncertainty", "VALUE", "", "expanded uncertainty, k = 2, in the unit that it shows")
	retired := f.word("retired", "true|false", "", "true: withdrawn from use")
	return r.call([]string{"ID"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		if !f.anyGiven("title", "serial", "until", "calibrated", "class", "remark", "min", "max", "directivity", "uncertainty", "retired") {
			return usagef("say what changes; see 'witnessmark help instruments update'")
		}
		x, err := c.Setup.GetInstrument(ctx, &witnessmarkv1.GetInstrumentRequest{Name: named("instruments", args[0])})
		if err != nil {
			return err
		}
		for name, to := range map[string]struct{ from, into *string }{"title": {title, &x.Title}, "serial": {serial, &x.Serial}, "until": {until, &x.CalibratedUntil},
			"calibrated": {on, &x.CalibratedOn}, "class": {class, &x.ToolClass}, "remark": {remark, &x.Remark}} {
			if f.given(name) {
				*to.into = *to.from
			}
		}
		if f.given("min") {
			if x.Minimum, err = value("--min", *least); err != nil {
				return err
			}
		}
		if f.given("max") {
			if x.Maximum, err = value("--max", *most); err != nil {
				return err
			}
		}
		if f.given("directivity") {
			if x.DirectivityDb, err = decimal("--directivity", *directivity); err != nil {
				return err
			}
		}
		if f.given("uncertainty") {
			if x.ExpandedUncertainty, err = decimal("--uncertainty", *uncertainty); err != nil {
				return err
			}
		}
		if f.given("retired") {
			if x.Retired, err = truth("retired", *retired); err != nil {
				return err
			}
		}
		if x, err = c.Setup.UpdateInstrument(ctx, &witnessmarkv1.UpdateInstrumentRequest{Instrument: x}); err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, x)
		}
		_, err = fmt.Fprintf(s.out, "%s is changed; in date until %s\n", bare(x.GetName()), orNone(x.GetCalibratedUntil()))
		return err
	})
}

// ---- settings ----

func showSettings(s *streams, r *remote, set *witnessmarkv1.OrganizationSettings) error {
	if *r.json {
		return printMessage(s.out, set)
	}
	t := table{head: []string{"SETTING", "VALUE"}}
	t.add("signatures", strconv.FormatBool(set.GetRequireDeviceSignatures()))
	t.add("four-eyes-waiver", orNone(set.GetFourEyesWaiver()))
	t.add("not-proven", strconv.FormatBool(set.GetNotProvenNeedsDeviation()))
	wind, years := "the procedure's", "the installation's"
	if m := set.GetWindHoldsMinutes(); m > 0 {
		wind = fmt.Sprint(m)
	}
	if y := set.GetRetentionYears(); y > 0 {
		years = fmt.Sprint(y)
	}
	t.add("wind-minutes", wind)
	t.add("retention-years", years)
	for _, p := range set.GetPhotoThresholds() {
		t.add("photo "+strings.TrimPrefix(p.GetSubject()+"/"+p.GetName(), "/"), fmt.Sprintf("%g (%s)", p.GetValue(), p.GetSource()))
	}
	return t.print(s.out, false)
}

func setupSettingsShow(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		id, err := c.Devices.GetIdentity(ctx, &witnessmarkv1.GetIdentityRequest{})
		if err != nil {
			return err
		}
		return showSettings(s, r, id.GetSettings())
	})
}

func setupSettingsSet(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	signatures := f.word("signatures", "true|false", "", "entries must carry a device's signature")
	waiver := f.word("four-eyes-waiver", "TEXT", "", "why one person may do the work and sign; \"\": four eyes hold")
	proven := f.word("not-proven", "true|false", "", "'pass, not proven' needs a deviation")
	wind := f.number("wind-minutes", "N", 0, "how long a wind reading holds; 0: the procedure's")
	years := f.number("retention-years", "N", 0, "how long originals are retained where the store can; 0: the installation's")
	photos := f.words("photo", "[SUBJECT/]NAME=VALUE", "a figure that photos are judged by; without VALUE it goes")
	source := f.word("source", "TEXT", "", "where the figures of --photo come from: contract, clause, own decision")
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		if !f.anyGiven("signatures", "four-eyes-waiver", "not-proven", "wind-minutes", "retention-years", "photo") {
			return usagef("say what changes; see 'witnessmark help settings set'")
		}
		id, err := c.Devices.GetIdentity(ctx, &witnessmarkv1.GetIdentityRequest{})
		if err != nil {
			return err
		}
		set := id.GetSettings()
		if set == nil {
			set = &witnessmarkv1.OrganizationSettings{}
		}
		if f.given("signatures") {
			if set.RequireDeviceSignatures, err = truth("signatures", *signatures); err != nil {
				return err
			}
		}
		if f.given("not-proven") {
			if set.NotProvenNeedsDeviation, err = truth("not-proven", *proven); err != nil {
				return err
			}
		}
		if f.given("four-eyes-waiver") {
			set.FourEyesWaiver = *waiver
		}
		if f.given("wind-minutes") {
			set.WindHoldsMinutes = int32(max(min(*wind, 1<<30), -1))
		}
		if f.given("retention-years") {
			set.RetentionYears = int32(max(min(*years, 1<<30), -1))
		}
		for _, text := range *photos {
			path, v, ok := strings.Cut(text, "=")
			if !ok {
				return usagef("--photo is %q; it is a figure with its value, such as sharpness=120 or \"end face/megapixels=2\"", text)
			}
			subject, name, narrow := strings.Cut(path, "/")
			if !narrow {
				subject, name = "", path
			}
			set.PhotoThresholds = slices.DeleteFunc(set.PhotoThresholds, func(p *witnessmarkv1.PhotoThreshold) bool { return p.GetSubject() == subject && p.GetName() == name })
			if v == "" {
				continue
			}
			figure, err := decimal("--photo", v)
			if err != nil {
				return err
			}
			if *source == "" {
				return usagef("--source is needed: where the figure of --photo comes from")
			}
			set.PhotoThresholds = append(set.PhotoThresholds, &witnessmarkv1.PhotoThreshold{Subject: subject, Name: name, Value: *figure, Source: *source})
		}
		if set, err = c.Setup.UpdateSettings(ctx, &witnessmarkv1.UpdateSettingsRequest{Settings: set}); err != nil {
			return err
		}
		return showSettings(s, r, set)
	})
}

// ---- accounts at an identity provider ----

func setupOfficeLink(f *flags) func(context.Context, *streams, []string) error {
	where := placeFlags(f)
	return withBackend(where, []string{"ORGANIZATION", "PERSON", "ISSUER", "SUBJECT"}, func(ctx context.Context, s *streams, b *backend, args []string) error {
		if args[2] == "" || args[3] == "" {
			return usagef("ISSUER and SUBJECT are the account's iss and sub, as the provider's tokens have them")
		}
		id := strings.TrimPrefix(args[1], "people/")
		if err := b.service().LinkSubject(ctx, args[0], id, args[2], args[3]); err != nil {
			return err
		}
		_, err := fmt.Fprintf(s.out, "tokens of %s for %s act for %s\n", oneLine(args[2]), oneLine(args[3]), id)
		return err
	})
}

func setupOfficeUnlink(f *flags) func(context.Context, *streams, []string) error {
	where := placeFlags(f)
	return withBackend(where, []string{"ORGANIZATION", "PERSON"}, func(ctx context.Context, s *streams, b *backend, args []string) error {
		id := strings.TrimPrefix(args[1], "people/")
		if err := b.service().LinkSubject(ctx, args[0], id, "", ""); err != nil {
			return err
		}
		_, err := fmt.Fprintf(s.out, "no account acts for %s\n", id)
		return err
	})
}
