package s3_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	awss3 "github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/aws/aws-sdk-go-v2/service/s3/types"

	"witnessmark/internal/errs"
	"witnessmark/internal/testbed"
	"witnessmark/storage/blob"
	"witnessmark/storage/blob/blobtest"
	"witnessmark/storage/blob/s3"
)

func config(b testbed.S3Config) s3.Config {
	return s3.Config{
		Bucket: b.Bucket, Region: b.Region, Endpoint: b.Endpoint, PathStyle: true,
		AccessKey: b.AccessKey, SecretKey: b.SecretKey,
	}
}

func open(tb testing.TB, cfg s3.Config) blob.Store {
	tb.Helper()
	st, err := s3.Open(tb.Context(), cfg)
	if err != nil {
		tb.Fatal(err)
	}
	return st
}

func TestStore(t *testing.T) {
	t.Run("with versions and object lock", func(t *testing.T) {
		blobtest.Run(t, func(tb testing.TB) blob.Store { return open(tb, config(testbed.S3(tb))) })
	})
	t.Run("plain bucket, with a prefix", func(t *testing.T) {
		blobtest.Run(t, func(tb testing.TB) blob.Store {
			cfg := config(testbed.S3WithoutLock(tb))
			cfg.Prefix = "shared/with-others/"
			return open(tb, cfg)
		})
	})
	t.Run("a staging bucket of its own", func(t *testing.T) {
		blobtest.Run(t, func(tb testing.TB) blob.Store {
			cfg := config(testbed.S3(tb))
			cfg.StagingBucket = testbed.S3WithoutLock(tb).Bucket
			return open(tb, cfg)
		})
	})
}

// A version under retention stays, whoever asks our credential to delete it,
// and stays readable by its version when others overwrite or hide the key.
func TestLockedEvidenceSurvives(t *testing.T) {
	bucket := testbed.S3(t)
	st, client := open(t, config(bucket)), bucket.Client()
	key := blob.EvidenceKey("org-one", "photo", "0001")
	data := []byte("the photo of the joint")
	placed, err := st.Put(t.Context(), key, bytes.NewReader(data), blob.DigestOf(data))
	if err != nil || placed.Version == "" {
		t.Fatalf("Put: got %+v, %v; want a version", placed, err)
	}
	name := string(key)
	remove := func() error {
		_, err := client.DeleteObject(t.Context(), &awss3.DeleteObjectInput{Bucket: &bucket.Bucket, Key: &name, VersionId: &placed.Version})
		return err
	}
	if _, err := st.Retain(t.Context(), placed.Ref, time.Now().Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	head, err := client.HeadObject(t.Context(), &awss3.HeadObjectInput{Bucket: &bucket.Bucket, Key: &name})
	if err != nil || head.ObjectLockMode != types.ObjectLockModeGovernance {
		t.Errorf("the mode of the retention: got %q, %v; want governance", head.ObjectLockMode, err)
	}
	if err := remove(); err == nil {
		t.Error("a version under retention was deleted")
	}
	// Overwritten and hidden, behind our back.
	if _, err := client.PutObject(t.Context(), &awss3.PutObjectInput{Bucket: &bucket.Bucket, Key: &name, Body: strings.NewReader("forged")}); err != nil {
		t.Fatal(err)
	}
	if err := blob.Check(t.Context(), st, placed.Ref, blob.DigestOf(data)); err != nil {
		t.Errorf("after an overwrite, read by version: %v", err)
	}
	if err := blob.Check(t.Context(), st, blob.Ref{Key: key}, blob.DigestOf(data)); !errs.Is(err, "BLOB_CORRUPT") {
		t.Errorf("after an overwrite, read as it stands: got %v; want BLOB_CORRUPT", err)
	}
	if _, err := client.DeleteObject(t.Context(), &awss3.DeleteObjectInput{Bucket: &bucket.Bucket, Key: &name}); err != nil {
		t.Fatal(err)
	}
	if err := blob.Check(t.Context(), st, placed.Ref, blob.DigestOf(data)); err != nil {
		t.Errorf("after a plain delete, read by version: %v", err)
	}
	if _, err := st.Stat(t.Context(), blob.Ref{Key: key}); !errs.Is(err, "BLOB_NOT_FOUND") {
		t.Errorf("after a plain delete, as it stands: got %v; want BLOB_NOT_FOUND", err)
	}
}

func TestLegalHoldIsKept(t *testing.T) {
	bucket := testbed.S3(t)
	st, client := open(t, config(bucket)), bucket.Client()
	key := blob.EvidenceKey("org-one", "photo", "0001")
	name := string(key)
	placed, err := st.Put(t.Context(), key, strings.NewReader("x"), blob.DigestOf([]byte("x")))
	if err != nil {
		t.Fatal(err)
	}
	remove := func() error {
		_, err := client.DeleteObject(t.Context(), &awss3.DeleteObjectInput{Bucket: &bucket.Bucket, Key: &name, VersionId: &placed.Version})
		return err
	}
	if err := st.Hold(t.Context(), placed.Ref, true); err != nil {
		t.Fatal(err)
	}
	if err := remove(); err == nil {
		t.Error("a version under a legal hold was deleted")
	}
	if err := st.Hold(t.Context(), placed.Ref, false); err != nil {
		t.Fatal(err)
	}
	if err := remove(); err != nil {
		t.Errorf("after the hold was taken off: %v", err)
	}
}

// Uploads in a bucket with a default retention: they go out of sight, their
// bytes stay, and doctor is told.
func TestDefaultRetentionOnStaging(t *testing.T) {
	bucket := testbed.S3(t)
	client := bucket.Client()
	_, err := client.PutObjectLockConfiguration(t.Context(), &awss3.PutObjectLockConfigurationInput{
		Bucket: &bucket.Bucket,
		ObjectLockConfiguration: &types.ObjectLockConfiguration{
			ObjectLockEnabled: types.ObjectLockEnabledEnabled,
			Rule:              &types.ObjectLockRule{DefaultRetention: &types.DefaultRetention{Mode: types.ObjectLockRetentionModeGovernance, Days: aws.Int32(1)}},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	st := open(t, config(bucket))
	report, err := st.Probe(t.Context())
	if err != nil || !report.StagingLocked || !report.Writable || !report.Enforced {
		t.Errorf("Probe: got %+v, %v; want staging locked, writable, enforced", report, err)
	}
	if !slices.ContainsFunc(report.Lines, func(l string) bool { return strings.Contains(l, "staging bucket") }) {
		t.Errorf("Probe does not say what to do about staging: %q", report.Lines)
	}
	key := blob.ChunkKey("org-one", "upload-1", 0)
	if _, err := st.Put(t.Context(), key, strings.NewReader("x"), blob.DigestOf([]byte("x"))); err != nil {
		t.Fatal(err)
	}
	if err := st.Delete(t.Context(), key); err != nil {
		t.Errorf("Delete: %v", err)
	}
	if _, err := st.Stat(t.Context(), blob.Ref{Key: key}); !errs.Is(err, "BLOB_NOT_FOUND") {
		t.Errorf("Stat after Delete: got %v; want BLOB_NOT_FOUND", err)
	}
}

// Delete in a bucket with versions leaves no bytes behind.
func TestDeleteRemovesEveryVersion(t *testing.T) {
	bucket := testbed.S3(t)
	st, client := open(t, config(bucket)), bucket.Client()
	key := blob.DerivedKey("org-one", "thumb", "0001")
	name := string(key)
	for range 2 {
		if _, err := client.PutObject(t.Context(), &awss3.PutObjectInput{Bucket: &bucket.Bucket, Key: &name, Body: strings.NewReader("x")}); err != nil {
			t.Fatal(err)
		}
		if _, err := client.DeleteObject(t.Context(), &awss3.DeleteObjectInput{Bucket: &bucket.Bucket, Key: &name}); err != nil {
			t.Fatal(err)
		}
	}
	if err := st.Delete(t.Context(), key); err != nil {
		t.Fatal(err)
	}
	left, err := client.ListObjectVersions(t.Context(), &awss3.ListObjectVersionsInput{Bucket: &bucket.Bucket, Prefix: &name})
	if err != nil || len(left.Versions)+len(left.DeleteMarkers) != 0 {
		t.Errorf("left: %d versions, %d markers, %v; want none", len(left.Versions), len(left.DeleteMarkers), err)
	}
}

// What others keep in the bucket is not ours to list.
func TestListPassesOverWhatIsNotOurs(t *testing.T) {
	bucket := testbed.S3WithoutLock(t)
	st, client := open(t, config(bucket)), bucket.Client()
	for _, name := range []string{"org-one/photo/A Picture.jpg", "org-one/photo/ab", "org-one/readme", "org-one/photo/.hidden"} {
		if _, err := client.PutObject(t.Context(), &awss3.PutObjectInput{Bucket: &bucket.Bucket, Key: &name, Body: strings.NewReader("x")}); err != nil {
			t.Fatal(err)
		}
	}
	got, err := st.List(t.Context(), "org-one/", "", 1)
	if err != nil || len(got) != 1 || got[0].Key != "org-one/photo/ab" {
		t.Errorf("got %v, %v; want org-one/photo/ab alone", got, err)
	}
	// Put by other means, so without our digest: compared by its bytes.
	placed, err := st.Put(t.Context(), "org-one/photo/ab", strings.NewReader("x"), blob.DigestOf([]byte("x")))
	if err != nil || !placed.Existed {
		t.Errorf("Put of the same bytes: got %+v, %v; want existed", placed, err)
	}
	_, err = st.Put(t.Context(), "org-one/photo/ab", strings.NewReader("y"), blob.DigestOf([]byte("y")))
	if !errs.Is(err, "KEY_TAKEN") {
		t.Errorf("Put of other bytes: got %v; want KEY_TAKEN", err)
	}
}

func TestOpenRefusesAHalfSetConfiguration(t *testing.T) {
	good := config(testbed.S3(t))
	for _, tc := range []struct {
		name   string
		change func(*s3.Config)
		reason string
	}{
		{"no bucket", func(c *s3.Config) { c.Bucket = "" }, "BUCKET_MISSING"},
		{"no region", func(c *s3.Config) { c.Region = "" }, "REGION_MISSING"},
		{"half a credential", func(c *s3.Config) { c.SecretKey = "" }, "KEY_HALF_SET"},
		{"a prefix without its slash", func(c *s3.Config) { c.Prefix = "a" }, "PREFIX_INVALID"},
		{"an absolute prefix", func(c *s3.Config) { c.Prefix = "/a/" }, "PREFIX_INVALID"},
		{"an endpoint without a scheme", func(c *s3.Config) { c.Endpoint = "localhost:9000" }, "ENDPOINT_INVALID"},
		{"a bucket that is not there", func(c *s3.Config) { c.Bucket = "no-such-bucket" }, "BLOB_STORE_UNAVAILABLE"},
		{"a staging bucket that is not there", func(c *s3.Config) { c.StagingBucket = "no-such-bucket" }, "BLOB_STORE_UNAVAILABLE"},
		{"a wrong secret", func(c *s3.Config) { c.SecretKey = "wrong" }, "BLOB_STORE_REFUSED"},
	} {
		cfg := good
		tc.change(&cfg)
		if _, err := s3.Open(t.Context(), cfg); !errs.Is(err, tc.reason) {
			t.Errorf("%s: got %v; want reason %s", tc.name, err, tc.reason)
		}
	}
}
