package sqlstore

import (
	"context"
	"strconv"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

func itoa(n int64) string { return strconv.FormatInt(n, 10) }

func noJob(id string) *errs.Error {
	return errs.New(errs.NotFound, "JOB_NOT_FOUND", "there is no such job", "job", id)
}

const jobColumns = `id, title, site, site_title, zone, procedure, procedure_digest, state, day, follows,
	create_time, lock_time, line_count, root, compact, addendum_count, addendum_root, addendum_compact,
	addendum_sealed, contradicted, refused_count, refused_bytes, log_index, names`

func scanJob(row scanner) (j storage.Job, err error) {
	var state string
	var created, locked, contradicted int64
	err = row(&j.ID, &j.Title, &j.Site, &j.SiteTitle, &j.Zone, &j.Procedure, (*hash)(&j.ProcedureDigest), &state, &j.Day, &j.Follows,
		&created, &locked, &j.LineCount, (*hash)(&j.Root), &j.Compact, &j.AddendumCount, (*hash)(&j.AddendumRoot), &j.AddendumCompact,
		&j.AddendumSealed, &contradicted, &j.RefusedCount, &j.RefusedBytes, &j.LogIndex, &j.Names)
	j.State, j.CreateTime, j.LockTime, j.Contradicted = storage.JobState(state), fromMilli(created), fromMilli(locked), contradicted != 0
	return j, err
}

// getJob reads a job and its people; lock is empty or the engine's row lock.
func getJob(ctx context.Context, tx Tx, o, id, lock string) (storage.Job, error) {
	j, found, err := one(ctx, tx, scanJob, `SELECT `+jobColumns+` FROM job WHERE org = $1 AND id = $2`+lock, o, id)
	if err != nil {
		return j, err
	}
	if !found {
		return j, noJob(id)
	}
	j.People, err = many(ctx, tx, text, `SELECT person FROM job_person WHERE org = $1 AND job = $2 ORDER BY place`, o, id)
	return j, err
}

func addPeople(ctx context.Context, tx Tx, o, job string, people []string) error {
	rows := make([][]any, 0, len(people))
	for i, p := range people {
		rows = append(rows, []any{o, job, p, int64(i)})
	}
	_, err := insert(ctx, tx, "job_person", "org, job, person, place", "ON CONFLICT (org, job, person) DO NOTHING", rows)
	return err
}

// CreateJob implements storage.Jobs.
func (s *Store) CreateJob(ctx context.Context, o string, j storage.Job, lines []storage.NewLine, requestID string) (made storage.Job, err error) {
	if err := checkLines(lines, 0); err != nil {
		return storage.Job{}, err
	}
	state := j.State
	if state == "" {
		state = storage.JobOpen
	}
	if err := checkOpenState(state); err != nil {
		return storage.Job{}, err
	}
	err = s.write(ctx, org(o), noProcedure(j.Procedure), func(tx Tx) error {
		if _, found, err := one(ctx, tx, text, `SELECT id FROM organization WHERE id = $1`, o); err != nil {
			return err
		} else if !found {
			return noOrganization(o)
		}
		earlier, err := claim(ctx, tx, o, "job", requestID, j.ID)
		if err != nil {
			return err
		}
		if earlier != "" {
			made, err = getJob(ctx, tx, o, earlier, "")
			return err
		}
		n, err := exec(ctx, tx, `INSERT INTO job (org, `+jobColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11,
			$12, 0, $13, $14, $15, 0, $16, $17, 0, 0, 0, 0, -1, $18) ON CONFLICT (org, id) DO NOTHING`,
			o, j.ID, j.Title, j.Site, j.SiteTitle, j.Zone, j.Procedure, hash(j.ProcedureDigest), string(state), j.Day, j.Follows,
			milli(j.CreateTime), int64(len(lines)), hash(j.Root), blob(j.Compact), hash(j.AddendumRoot), blob(j.AddendumCompact), blob(j.Names))
		if err != nil {
			return err
		}
		if n == 0 {
			return errs.New(errs.Exists, "JOB_EXISTS", "there is a job of this id", "job", j.ID)
		}
		if err := addPeople(ctx, tx, o, j.ID, j.People); err != nil {
			return err
		}
		if err := addLines(ctx, tx, o, j.ID, storage.ListRecord, lines); err != nil {
			return err
		}
		made, err = getJob(ctx, tx, o, j.ID, "")
		return err
	})
	return made, err
}

// GetJob implements storage.Jobs.
func (s *Store) GetJob(ctx context.Context, o, id string) (j storage.Job, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		j, err = getJob(ctx, tx, o, id, "")
		return err
	})
	return j, err
}

// ListJobs implements storage.Jobs.
func (s *Store) ListJobs(ctx context.Context, o string, f storage.JobFilter, beforeTime time.Time, beforeID string, limit int) (js []storage.Job, err error) {
	if (f.Jobs != nil && len(f.Jobs) == 0) || (f.Sites != nil && len(f.Sites) == 0) {
		return nil, nil // scoped to nothing
	}
	if len(f.Jobs)+len(f.Sites) > maxArguments-100 {
		return nil, errs.Field("TOO_MANY_IN_FILTER", "jobs", "a filter names at most 29,900 jobs and sites")
	}
	var q query
	q.add(`SELECT ` + jobColumns + ` FROM job WHERE org = `)
	q.arg(o)
	for _, c := range []struct{ column, value string }{{"day", f.Day}, {"site", f.Site}, {"state", string(f.State)}} {
		if c.value != "" {
			q.add(` AND ` + c.column + ` = `)
			q.arg(c.value)
		}
	}
	if f.Person != "" {
		q.add(` AND id IN (SELECT job FROM job_person WHERE org = `)
		q.arg(o)
		q.add(` AND person = `)
		q.arg(f.Person)
		q.add(`)`)
	}
	if f.Jobs != nil {
		q.add(` AND `)
		q.in("id", f.Jobs)
	}
	if f.Sites != nil {
		q.add(` AND `)
		q.in("site", f.Sites)
	}
	if !f.From.IsZero() {
		q.add(` AND create_time >= `)
		q.arg(milli(f.From))
	}
	if !f.To.IsZero() {
		q.add(` AND create_time < `)
		q.arg(milli(f.To))
	}
	if beforeID != "" {
		q.add(` AND (create_time, id) < (`)
		q.arg(milli(beforeTime))
		q.add(`, `)
		q.arg(beforeID)
		q.add(`)`)
	}
	q.add(` ORDER BY create_time DESC, id DESC LIMIT `)
	q.arg(atMost(limit))
	err = s.read(ctx, org(o), func(tx Tx) error {
		js, err = many(ctx, tx, scanJob, q.text.String(), q.args...)
		if err != nil {
			return err
		}
		return loadPeople(ctx, tx, o, js)
	})
	return js, err
}

// loadPeople fills in the people of js.
func loadPeople(ctx context.Context, tx Tx, o string, js []storage.Job) error {
	place := make(map[string]int, len(js))
	ids := make([]string, 0, len(js))
	for i, j := range js {
		place[j.ID] = i
		ids = append(ids, j.ID)
	}
	for _, part := range batches(ids) {
		var q query
		q.add(`SELECT job, person FROM job_person WHERE org = `)
		q.arg(o)
		q.add(` AND `)
		q.in("job", part)
		q.add(` ORDER BY job, place`)
		err := each(ctx, tx, func(row scanner) (bool, error) {
			var job, person string
			err := row(&job, &person)
			if err == nil {
				i := place[job]
				js[i].People = append(js[i].People, person)
			}
			return true, err
		}, q.text.String(), q.args...)
		if err != nil {
			return err
		}
	}
	return nil
}

// AssignJob implements storage.Jobs.
func (s *Store) AssignJob(ctx context.Context, o, id string, people []string, day string) (j storage.Job, err error) {
	err = s.write(ctx, org(o), nil, func(tx Tx) error {
		n, err := exec(ctx, tx, `UPDATE job SET day = $1 WHERE org = $2 AND id = $3`, day, o, id)
		if err != nil {
			return err
		}
		if n == 0 {
			return noJob(id)
		}
		if _, err := exec(ctx, tx, `DELETE FROM job_person WHERE org = $1 AND job = $2`, o, id); err != nil {
			return err
		}
		if err := addPeople(ctx, tx, o, id, people); err != nil {
			return err
		}
		j, err = getJob(ctx, tx, o, id, "")
		return err
	})
	return j, err
}
