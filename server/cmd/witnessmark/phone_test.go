package main

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/client"
	"witnessmark/internal/demo"
	"witnessmark/internal/photo/testpicture"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// phone is the command of the scripts that stands for the crew's phones: each has
// a key, a chain and a clock of its own, and speaks with the server of SERVER. What
// it keeps is in the folder PHONES. The clock stands in the past, as on a day
// without coverage, and is moved by 'phone pause'.
func phone() {
	if err := phoneRun(context.Background(), os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "phone:", client.Explain(err))
		os.Exit(1)
	}
}

func phoneRun(ctx context.Context, args []string) error {
	if len(args) == 0 {
		return errors.New("which command?")
	}
	switch args[0] {
	case "wait": // until the server is ready
		return waitReady(os.Getenv("SERVER"))
	case "get": // URL: prints the answer's body; the status, if not 200, is an error
		return get(args[1])
	case "enrol": // NAME CODE
		return enrolPhone(ctx, args[1], args[2])
	case "pause": // DURATION: the phones' clock goes on
		d, err := time.ParseDuration(args[1])
		if err != nil {
			return err
		}
		clock, err := readClock()
		if err != nil {
			return err
		}
		clock.Advance(d)
		return keepClock(clock)
	}
	c, clock, closeAll, err := crew(args[1])
	if err != nil {
		return err
	}
	defer closeAll()
	if err := c.Begin(ctx); err != nil {
		return err
	}
	if err := act(ctx, c, args[0], args[2:]); err != nil {
		return err
	}
	return keepClock(clock)
}

// act lets the crew of a job do something.
func act(ctx context.Context, c *demo.Crew, what string, args []string) error {
	sections := func(ids ...string) func(demo.Step) bool {
		return func(s demo.Step) bool { return slices.Contains(ids, s.Section.GetId()) }
	}
	switch what {
	case "climb":
		return c.Climb(ctx)
	case "brief": // all sections of the climb
		return c.Do(ctx, func(s demo.Step) bool { return s.Section.GetRepeat() == recordv1.Section_CLIMB }, nil)
	case "work": // SECTION…
		return c.Do(ctx, sections(args...), nil)
	case "read": // SECTION STEP VALUE: does the section, with this value in this step
		v, err := strconv.ParseFloat(args[2], 64)
		if err != nil {
			return err
		}
		return c.Do(ctx, sections(args[0]), func(s demo.Step) []demo.Answer {
			if s.Def.GetId() == args[1] {
				return []demo.Answer{demo.ReadingAnswer(s, v, s.Def.GetReading().GetUnit(), c.Kit)}
			}
			return nil
		})
	case "return": // STEP…
		e := &recordv1.Entry{Kind: &recordv1.Entry_ReturnedForRework{ReturnedForRework: &recordv1.ReturnedForRework{Steps: args, Reason: "make it again"}}}
		_, err := c.State(ctx, member(c, "cleo"), demo.Answer{Entry: e})
		return err
	case "down":
		return c.Down(ctx)
	case "close": // what is left
		return c.Do(ctx, nil, nil)
	case "finish":
		return c.Finish(ctx)
	case "sign":
		res, err := c.SignOff(ctx, "looked at")
		if err != nil {
			return err
		}
		fmt.Printf("locked %d lines, leaf %d\n", res.GetHead().GetSize(), res.GetLogIndex())
		return nil
	case "late": // NAME TEXT
		r, err := c.State(ctx, member(c, args[0]), demo.Answer{Entry: note(args[1])})
		if err != nil {
			return err
		}
		fmt.Println(word(r.GetOutcome()))
		return nil
	case "replay": // NAME ORDER…: signs as many notes as ORDER says and sends them in that order
		return replay(ctx, c, member(c, args[0]), args[1:])
	case "forge": // NAME: sends an entry whose bytes were changed after signing, and an id again with other bytes
		return forge(ctx, c, member(c, args[0]))
	}
	return fmt.Errorf("what is %q?", what)
}

func note(text string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: text}}}
}

func member(c *demo.Crew, name string) *demo.Member {
	return c.Members[slices.IndexFunc(c.Members, func(m *demo.Member) bool { return m.Person == "people/"+name })]
}

// chainOf is a chain of the member's phone, as it is after a start.
func chainOf(ctx context.Context, c *demo.Crew, m *demo.Member) (*client.Chain, error) {
	ch, err := m.Client.NewChain(ctx, m.Device, c.Job, c.Now)
	if err == nil {
		ch.Offset = c.Offset
	}
	return ch, err
}

func replay(ctx context.Context, c *demo.Crew, m *demo.Member, order []string) error {
	ch, err := chainOf(ctx, c, m)
	if err != nil {
		return err
	}
	var signed []*witnessmarkv1.SubmittedEntry
	for _, o := range order {
		n, err := strconv.Atoi(o)
		if err != nil {
			return err
		}
		for len(signed) < n {
			s, _, err := ch.Sign(note(fmt.Sprintf("note %d of %s", len(signed)+1, m.Person)))
			if err != nil {
				return err
			}
			signed = append(signed, s)
		}
	}
	for _, o := range order {
		n, err := strconv.Atoi(o)
		if err != nil {
			return err
		}
		res, err := m.Client.Jobs.SubmitEntries(ctx, &witnessmarkv1.SubmitEntriesRequest{Job: c.Job, Entries: signed[n-1 : n]})
		if err != nil {
			return err
		}
		fmt.Printf("%d %s\n", n, word(res.GetResults()[0].GetOutcome()))
	}
	return c.After(ctx)
}

func forge(ctx context.Context, c *demo.Crew, m *demo.Member) error {
	ch, err := chainOf(ctx, c, m)
	if err != nil {
		return err
	}
	good, e, err := ch.Sign(note("as it was"))
	if err != nil {
		return err
	}
	changed := &witnessmarkv1.SubmittedEntry{Payload: []byte(strings.Replace(string(good.GetPayload()), "as it was", "as it wax", 1)), Signature: good.GetSignature(), KeyId: good.GetKeyId()}
	again := note("other words under the same id")
	again.Id = e.GetId()
	other, _, err := ch.Sign(again)
	if err != nil {
		return err
	}
	res, err := m.Client.Jobs.SubmitEntries(ctx, &witnessmarkv1.SubmitEntriesRequest{Job: c.Job, Entries: []*witnessmarkv1.SubmittedEntry{changed, good, other}})
	if err != nil {
		return err
	}
	for _, r := range res.GetResults() {
		fmt.Println(strings.TrimSpace(word(r.GetOutcome()) + " " + r.GetReason()))
	}
	return c.After(ctx)
}

func waitReady(server string) error {
	var err error
	for range 200 {
		var res *http.Response
		if res, err = http.Get(server + "/readyz"); err == nil {
			if err := res.Body.Close(); err != nil {
				return err
			}
			if res.StatusCode == http.StatusOK {
				return nil
			}
			err = fmt.Errorf("readyz answers %s", res.Status)
		}
		time.Sleep(50 * time.Millisecond)
	}
	return fmt.Errorf("the server is not ready after ten seconds: %w", err)
}

func get(url string) error {
	res, err := http.Get(url)
	if err != nil {
		return err
	}
	_, err = io.Copy(os.Stdout, res.Body)
	if err = errors.Join(err, res.Body.Close()); err == nil && res.StatusCode != http.StatusOK {
		err = errors.New(res.Status)
	}
	return err
}

func phones(name string) string { return filepath.Join(os.Getenv("PHONES"), name) }

func enrolPhone(ctx context.Context, name, code string) error {
	c, err := client.Dial(os.Getenv("SERVER"), "", false)
	if err != nil {
		return err
	}
	var k client.Credential
	if _, err := enrol(ctx, c, code, "Phone of "+name, true, &k); err != nil {
		return errors.Join(err, c.Close())
	}
	kept, err := client.OpenCredentials(phones(name + ".json"))
	if err != nil {
		return errors.Join(err, c.Close())
	}
	return errors.Join(kept.Keep(os.Getenv("SERVER"), k), c.Close())
}

const behindAtFirst = 45 * time.Minute

func readClock() (*demo.Clock, error) {
	c := &demo.Clock{}
	b, err := os.ReadFile(phones("clock"))
	if errors.Is(err, os.ErrNotExist) {
		c.Set(time.Now().Add(-behindAtFirst))
		return c, nil
	}
	if err != nil {
		return nil, err
	}
	var behind time.Duration
	if err := json.Unmarshal(b, &behind); err != nil {
		return nil, err
	}
	c.Set(time.Now().Add(-behind))
	return c, nil
}

func keepClock(c *demo.Clock) error {
	b, err := json.Marshal(max(time.Since(c.Now()), 0))
	if err != nil {
		return err
	}
	return os.WriteFile(phones("clock"), b, 0o600)
}

// crew is everyone who has a phone, on one job.
func crew(job string) (*demo.Crew, *demo.Clock, func(), error) {
	clock, err := readClock()
	if err != nil {
		return nil, nil, nil, err
	}
	none := time.Duration(0)
	c := &demo.Crew{Job: "jobs/" + job, Kit: demo.Kit{"torque-wrench": "instruments/wrench", "intermodulation-analyser": "instruments/analyser", "sweep-instrument": "instruments/sweep"},
		Now: clock.Now, Offset: &none, Place: &recordv1.Position{Latitude: 36.5, Longitude: -31}}
	c.Picture = func(s demo.Step, sub *recordv1.PhotoStep_Subject, n int) []byte {
		d := sha256.Sum256([]byte(s.View.GetId() + sub.GetId() + strconv.Itoa(n)))
		return testpicture.JPEG(testpicture.Options{Family: 3, Seed: uint64(d[0])<<16 | uint64(d[1])<<8 | uint64(d[2]), Width: 1600, Height: 1300, Quality: 85})
	}
	c.After = func(context.Context) error { clock.Advance(5 * time.Second); return nil }
	files, err := filepath.Glob(phones("*.json"))
	if err != nil {
		return nil, nil, nil, err
	}
	closeAll := func() {
		for _, m := range c.Members {
			if err := m.Client.Close(); err != nil {
				fmt.Fprintln(os.Stderr, "phone:", err)
			}
		}
	}
	for _, f := range files {
		kept, err := client.OpenCredentials(f)
		if err != nil {
			return nil, nil, closeAll, err
		}
		k := kept.Servers[kept.Current]
		key, err := client.ParseKey(k.Key)
		if err != nil {
			return nil, nil, closeAll, err
		}
		cl, err := client.Dial(os.Getenv("SERVER"), k.Token, false)
		if err != nil {
			return nil, nil, closeAll, err
		}
		c.Members = append(c.Members, &demo.Member{Person: k.Person, Lead: k.Person == "people/cleo", Device: client.Device{Name: k.Device, Person: k.Person, Key: key}, Client: cl})
	}
	c.Settle = func(ctx context.Context) error { return settle(ctx, c) }
	return c, clock, closeAll, nil
}

// settle waits until the server has examined every photo that it has.
func settle(ctx context.Context, c *demo.Crew) error {
	for range 300 {
		v, err := c.Members[0].Client.Jobs.GetJobView(ctx, &witnessmarkv1.GetJobViewRequest{Name: c.Job, OmitProcedure: true})
		if err != nil {
			return err
		}
		waiting := v.GetCounts().GetWaitingCount() > 0
		for _, p := range v.GetPhotos() {
			waiting = waiting || !p.GetReceived() || !p.GetExamined()
		}
		if !waiting {
			return nil
		}
		time.Sleep(100 * time.Millisecond)
	}
	return errors.New("photos are not examined after half a minute")
}
