package s3

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/testbed"
	"witnessmark/storage/blob"
	"witnessmark/storage/blob/blobtest"
)

// wire is a transport with somebody on it.
type wire func(*http.Request) (*http.Response, error)

func (w wire) RoundTrip(r *http.Request) (*http.Response, error) { return w(r) }

func openOver(t *testing.T, bucket testbed.S3Config, w wire) *Store {
	t.Helper()
	st, err := open(t.Context(), Config{
		Bucket: bucket.Bucket, Region: bucket.Region, Endpoint: bucket.Endpoint, PathStyle: true,
		AccessKey: bucket.AccessKey, SecretKey: bucket.SecretKey,
	}, w)
	if err != nil {
		t.Fatal(err)
	}
	return st
}

var key = blob.EvidenceKey("org-one", "photo", "0001")

// Bytes that change between us and the disk of the server are refused by the
// server, by the checksum that we sent.
func TestBytesChangedOnTheWayAreNotStored(t *testing.T) {
	var sums atomic.Int64
	st := openOver(t, testbed.S3(t), func(r *http.Request) (*http.Response, error) {
		if r.Method == http.MethodPut {
			if r.Header.Get("X-Amz-Checksum-Sha256") != "" {
				sums.Add(1)
			}
			body, err := io.ReadAll(r.Body)
			if err != nil {
				return nil, err
			}
			body[0] ^= 1
			r = r.Clone(r.Context())
			r.Body = io.NopCloser(bytes.NewReader(body))
		}
		return http.DefaultTransport.RoundTrip(r)
	})
	data := []byte("the photo of the joint")
	_, err := st.Put(t.Context(), key, bytes.NewReader(data), blob.DigestOf(data))
	if errs.KindOf(err) != errs.Unavailable {
		t.Errorf("Put: got %v; want to be told to try again", err)
	}
	if sums.Load() == 0 {
		t.Error("no put carried a SHA-256")
	}
	if _, err := st.Stat(t.Context(), blob.Ref{Key: key}); !errs.Is(err, "BLOB_NOT_FOUND") {
		t.Errorf("Stat: got %v; want BLOB_NOT_FOUND", err)
	}
}

// A put whose answer gets lost has landed; the repeat finds it and says so.
func TestPutWhoseAnswerIsLost(t *testing.T) {
	for _, tc := range []struct {
		name string
		lost int64 // how many answers
	}{
		{"once: the client library sends again by itself", 1},
		{"so often that it gives up: the caller sends again", 3},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var puts atomic.Int64
			st := openOver(t, testbed.S3(t), func(r *http.Request) (*http.Response, error) {
				response, err := http.DefaultTransport.RoundTrip(r)
				if err == nil && r.Method == http.MethodPut && puts.Add(1) <= tc.lost {
					return nil, errors.Join(errors.New("connection reset by peer"), response.Body.Close())
				}
				return response, err
			})
			data := []byte("the photo of the joint")
			var placed blob.Placed
			for range 2 {
				var err error
				placed, err = st.Put(t.Context(), key, bytes.NewReader(data), blob.DigestOf(data))
				if err == nil {
					break
				}
				if errs.KindOf(err) != errs.Unavailable {
					t.Fatal(err)
				}
			}
			if !placed.Existed || placed.Version == "" {
				t.Errorf("got %+v; want existed, with the version that landed", placed)
			}
			if err := blob.Check(t.Context(), st, placed.Ref, blob.DigestOf(data)); err != nil {
				t.Error(err)
			}
		})
	}
}

// A body that ends early, or is not what was stored, is an error of the read.
func TestReadsThatGoWrong(t *testing.T) {
	data := []byte(strings.Repeat("the photo of the joint ", 1000))
	for _, tc := range []struct {
		name string
		turn func([]byte) []byte
	}{
		{"cut short", func(b []byte) []byte { return b[:len(b)/2] }},
		{"one bit turned", func(b []byte) []byte { b[100] ^= 1; return b }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			st := openOver(t, testbed.S3(t), func(r *http.Request) (*http.Response, error) {
				response, err := http.DefaultTransport.RoundTrip(r)
				if err != nil || r.Method != http.MethodGet || !strings.HasSuffix(r.URL.Path, "/0001") {
					return response, err
				}
				body, err := io.ReadAll(response.Body)
				if err = errors.Join(err, response.Body.Close()); err != nil {
					return nil, err
				}
				body = tc.turn(body)
				response.Body = io.NopCloser(bytes.NewReader(body))
				return response, nil
			})
			placed, err := st.Put(t.Context(), key, bytes.NewReader(data), blob.DigestOf(data))
			if err != nil {
				t.Fatal(err)
			}
			rc, err := st.Open(t.Context(), placed.Ref, 0, -1)
			if err != nil {
				t.Fatal(err)
			}
			defer rc.Close()
			if n, err := io.Copy(io.Discard, rc); err == nil {
				t.Errorf("read %d bytes without an error", n)
			}
		})
	}
}

// An upload goes through over a line that loses requests and answers alike.
func TestUploadOverABadLine(t *testing.T) {
	var n atomic.Int64
	st := openOver(t, testbed.S3(t), func(r *http.Request) (*http.Response, error) {
		i := n.Add(1)
		if r.URL.Query().Has("versioning") || r.URL.Query().Has("object-lock") || i%3 == 0 {
			return http.DefaultTransport.RoundTrip(r)
		}
		if i%3 == 1 {
			return nil, errors.New("no route to host")
		}
		response, err := http.DefaultTransport.RoundTrip(r)
		if err == nil {
			err = errors.Join(errors.New("connection reset by peer"), response.Body.Close())
		}
		return nil, err
	})
	u := blob.Uploads{Store: blobtest.Faulty(st, nil)}
	data := bytes.Repeat([]byte("0123456789"), 1000)
	again := func(do func() error) {
		t.Helper()
		for range 20 {
			err := do()
			if err == nil {
				return
			}
			if errs.KindOf(err) != errs.Unavailable || errors.Is(err, context.Canceled) {
				t.Fatal(err)
			}
		}
		t.Fatal("not through after 20 tries")
	}
	for off := 0; off < len(data); off += 5000 {
		again(func() error {
			return u.PutChunk(t.Context(), "org-one", "upload-1", int64(off), data[off:off+5000])
		})
	}
	again(func() error {
		s, err := u.Assemble(t.Context(), "org-one", "upload-1", blob.DigestOf(data), t.TempDir())
		if err != nil {
			return err
		}
		return s.Close()
	})
}
