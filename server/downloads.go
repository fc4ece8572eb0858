package server

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// reportPolicy is the report's: its own style, the job's photos, nothing else.
const reportPolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

var resourceID = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

// downloads adds the plain HTTP downloads. Each is open to whom the RPC of the
// same kind is open to.
func (s *Server) downloads(mux *http.ServeMux) {
	get := func(path, rpc string, do func(w http.ResponseWriter, r *http.Request, id access.Identity, job string) error) {
		mux.HandleFunc("GET "+path, func(w http.ResponseWriter, r *http.Request) {
			ctx, cancel := context.WithTimeout(r.Context(), s.cfg.StreamDeadline)
			defer cancel()
			r = r.WithContext(ctx)
			began, cw := time.Now(), &countingWriter{ResponseWriter: w, code: http.StatusOK}
			c := callerOf(ctx)
			err := s.admitHTTP(r, c, rpc)
			job := r.PathValue("job")
			if err == nil && !resourceID.MatchString(job) {
				err = errs.Field("NAME_INVALID", "job", "does not match [A-Za-z0-9._-]{1,64}")
			}
			if err == nil {
				err = do(cw, r, c.id, job)
			}
			s.log.InfoContext(ctx, "download", "request", c.requestID, "path", path, "job", job, "organization", c.id.Org, "who", c.who(), "bytes", cw.bytes, "reason", errs.ReasonOf(err), "took", time.Since(began).Round(time.Microsecond))
			switch {
			case err == nil:
			case cw.bytes == 0:
				writeProblem(w, r, err)
			default: // part of it is out: the connection is cut, so that nobody takes it for the whole
				s.log.WarnContext(ctx, "download broke off", "request", c.requestID, "err", err)
				panic(http.ErrAbortHandler)
			}
		})
	}
	get("/jobs/{job}/package.zip", witnessmarkv1.EvidenceService_DownloadPackage_FullMethodName, s.packageZip)
	get("/jobs/{job}/photos/{digest}", witnessmarkv1.EvidenceService_DownloadFile_FullMethodName, s.photo)
	get("/jobs/{job}/report", witnessmarkv1.EvidenceService_GetReport_FullMethodName, s.report)
	get("/jobs/{job}/readings.csv", witnessmarkv1.EvidenceService_GetReadings_FullMethodName, s.readings)
}

// admitHTTP is admit for a plain request.
func (s *Server) admitHTTP(r *http.Request, c *caller, rpc string) error {
	now := time.Now()
	if err := s.byAddress.allow(network(c.address), now); err != nil {
		return err
	}
	known, err := s.authenticate(r.Context(), c, r.Header.Values("Authorization"), r.Header.Values("Cookie"))
	if err != nil {
		return err
	}
	if !known {
		return errs.New(errs.NoIdentity, "CREDENTIAL_MISSING", "sign in first: this address needs a session")
	}
	if err := s.policy.check(rpc, c.id); err != nil {
		return err
	}
	return s.byIdentity.allow(c.id.Org+"/"+c.id.Session+"/"+c.id.Who(), now)
}

// countingWriter knows whether anything of the answer is out.
type countingWriter struct {
	http.ResponseWriter
	code  int
	bytes int64
}

func (w *countingWriter) Write(p []byte) (int, error) {
	n, err := w.ResponseWriter.Write(p)
	w.bytes += int64(n)
	return n, err
}

func (w *countingWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func (s *Server) packageZip(w http.ResponseWriter, r *http.Request, id access.Identity, job string) error {
	ctx, cancel := s.until(r.Context())
	defer cancel(nil)
	pkg, name, err := s.svc.Package(ctx, id, job, nil)
	if err != nil {
		return err
	}
	size, err := pkg.ArchiveBytes()
	if err != nil {
		return err
	}
	attach(w, "application/zip", name)
	w.Header().Set("Content-Length", strconv.FormatInt(size, 10))
	if r.Method == http.MethodHead {
		return nil
	}
	return s.endOf(pkg.Write(ctx, w))
}

func (s *Server) photo(w http.ResponseWriter, r *http.Request, id access.Identity, job string) error {
	d, err := hexDigest("digest", r.PathValue("digest"))
	if err != nil {
		return err
	}
	size := 0
	switch q := r.URL.Query().Get("size"); q {
	case "", "0":
	case "1", "320", "1280":
		if size, err = strconv.Atoi(q); err != nil {
			return err
		}
	default:
		return errs.Field("SIZE_UNKNOWN", "size", "is 0 (the original), 320, 1280, or 1 (an end face's overlay)")
	}
	ctx, cancel := s.until(r.Context())
	defer cancel(nil)
	rc, media, length, err := s.svc.File(ctx, id, job, d, size)
	if err != nil {
		return err
	}
	defer func() { _ = rc.Close() }() // it was only read
	name := r.PathValue("digest") + extension(media)
	if strings.HasPrefix(media, "image/") && media != "image/heic" {
		w.Header().Set("Content-Type", media)
		w.Header().Set("Content-Disposition", `inline; filename="`+name+`"`)
	} else {
		attach(w, media, name)
	}
	w.Header().Set("Content-Length", strconv.FormatInt(length, 10))
	if r.Method == http.MethodHead {
		return nil
	}
	_, err = io.Copy(w, rc)
	return s.endOf(err)
}

func extension(media string) string {
	switch media {
	case "image/jpeg":
		return ".jpg"
	case "image/png":
		return ".png"
	case "image/webp":
		return ".webp"
	case "image/heic":
		return ".heic"
	case "text/plain":
		return ".txt"
	}
	return ".bin"
}

func (s *Server) report(w http.ResponseWriter, r *http.Request, id access.Identity, job string) error {
	var b bytes.Buffer
	if err := s.svc.Report(r.Context(), id, job, photoPath(job), &b); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", reportPolicy)
	w.Header().Set("Content-Length", strconv.Itoa(b.Len()))
	_, err := w.Write(b.Bytes())
	return err
}

func (s *Server) readings(w http.ResponseWriter, r *http.Request, id access.Identity, job string) error {
	var b bytes.Buffer
	if err := s.svc.Readings(r.Context(), id, job, &b); err != nil {
		return err
	}
	attach(w, "text/csv; charset=utf-8", job+"-readings.csv")
	w.Header().Set("Content-Length", strconv.Itoa(b.Len()))
	_, err := w.Write(b.Bytes())
	return err
}

// attach says that the answer is to be saved under a name; what a file system or
// a header could misread is left out of it.
func attach(w http.ResponseWriter, media, name string) {
	name = strings.TrimLeft(strings.Map(func(c rune) rune {
		if c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '-' || c == '_' || c == '.' {
			return c
		}
		return '-'
	}, name), ".")
	w.Header().Set("Content-Type", media)
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
}
