// Package s3 keeps blobs in an S3 bucket, or in two: evidence, and what is on
// its way. It talks to any server that honours If-None-Match, SHA-256 checksums
// and, for retention, Object Lock.
//
// Every put carries its own SHA-256 and is refused by the server when other
// bytes arrive. Everything is read by the version that the put gave.
package s3

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	v4 "github.com/aws/aws-sdk-go-v2/aws/signer/v4"
	awshttp "github.com/aws/aws-sdk-go-v2/aws/transport/http"
	"github.com/aws/aws-sdk-go-v2/config"
	"github.com/aws/aws-sdk-go-v2/credentials"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/aws/aws-sdk-go-v2/service/s3/types"
	"github.com/aws/smithy-go"
	"github.com/aws/smithy-go/middleware"

	"witnessmark/internal/errs"
	"witnessmark/storage/blob"
)

// Config says where the bytes go. Bucket and Region are needed.
type Config struct {
	Bucket        string
	StagingBucket string // for what is on its way; empty: Bucket. Give one where Bucket has a default retention
	Prefix        string // put before every key, with a slash at its end; may be empty
	Region        string
	Endpoint      string // URL of the server; empty: the one that the region has
	PathStyle     bool   // address the bucket by path, as most servers on own hardware want it
	AccessKey     string // both keys empty: from the environment or the machine's role
	SecretKey     string
	// Compliance locks evidence so that nobody can unlock it before its time,
	// not even the account's owner. Without it the mode is governance, where a
	// privileged credential can. Only where a contract asks for it.
	Compliance bool
}

func (c Config) check() error {
	switch {
	case c.Bucket == "":
		return errs.Field("BUCKET_MISSING", "bucket", "the bucket for evidence has no name")
	case c.Region == "":
		return errs.Field("REGION_MISSING", "region", "the bucket's region is missing; a server without regions takes us-east-1")
	case (c.AccessKey == "") != (c.SecretKey == ""):
		return errs.Field("KEY_HALF_SET", "access key", "access key and secret key go together: one of them is missing")
	case c.Prefix != "" && (!strings.HasSuffix(c.Prefix, "/") || strings.HasPrefix(c.Prefix, "/") || strings.Contains(c.Prefix, "//")):
		return errs.Field("PREFIX_INVALID", "prefix", "the prefix ends with one slash and does not begin with one")
	case len(c.Prefix) > 256:
		return errs.Field("PREFIX_INVALID", "prefix", "the prefix may have at most 256 bytes")
	}
	if c.Endpoint != "" {
		u, err := url.Parse(c.Endpoint)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			return errs.Field("ENDPOINT_INVALID", "endpoint", "the endpoint is a URL such as https://s3.example.com")
		}
	}
	return nil
}

// Store is a blob.Store in a bucket, or in two.
type Store struct {
	cfg    Config
	client *s3.Client
	// As they were when the store was opened.
	evidence, staging setup
}

// setup is how a bucket is set up.
type setup struct {
	versions   bool // every put makes a version, a plain delete only hides
	lock       bool // retention and legal hold can be set, and are kept
	retains    bool // every put falls under a default retention
	compliance bool // the default retention's mode
}

// Open checks cfg and asks the buckets how they are set up. Errors: Invalid for
// a half-set option; Unavailable where a bucket does not answer or refuses us.
func Open(ctx context.Context, cfg Config) (*Store, error) {
	return open(ctx, cfg, nil)
}

// open is Open with a transport that a test put in between.
func open(ctx context.Context, cfg Config, transport http.RoundTripper) (*Store, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	if cfg.StagingBucket == "" {
		cfg.StagingBucket = cfg.Bucket
	}
	options := []func(*config.LoadOptions) error{config.WithRegion(cfg.Region)}
	if cfg.AccessKey != "" {
		options = append(options, config.WithCredentialsProvider(credentials.NewStaticCredentialsProvider(cfg.AccessKey, cfg.SecretKey, "")))
	}
	base, err := config.LoadDefaultConfig(ctx, options...)
	if err != nil {
		return nil, blob.Unavailable("BLOB_STORE_UNAVAILABLE", "find its credential", err)
	}
	client := s3.NewFromConfig(base, func(o *s3.Options) {
		o.UsePathStyle = cfg.PathStyle
		if cfg.Endpoint != "" {
			o.BaseEndpoint = aws.String(cfg.Endpoint)
		}
		// Our own SHA-256 goes with every put. A second checksum by default is
		// what other servers than the SDK maker's have stumbled over.
		o.RequestChecksumCalculation = aws.RequestChecksumCalculationWhenRequired
		o.ResponseChecksumValidation = aws.ResponseChecksumValidationWhenRequired
		if transport != nil {
			o.HTTPClient = &http.Client{Transport: transport}
		} else {
			o.HTTPClient = awshttp.NewBuildableClient().WithTransportOptions(func(t *http.Transport) {
				t.ResponseHeaderTimeout = time.Minute // a server that has gone silent
			})
		}
	})
	s := &Store{cfg: cfg, client: client}
	if s.evidence, s.staging, err = s.setups(ctx); err != nil {
		return nil, err
	}
	return s, nil
}

// bucketOf returns where key lies.
func (s *Store) bucketOf(key string) *string {
	if blob.Key(key).Staging() {
		return &s.cfg.StagingBucket
	}
	return &s.cfg.Bucket
}

func (s *Store) name(key blob.Key) *string { return aws.String(s.cfg.Prefix + string(key)) }

// versionOf is the version of a request; nil for the current one.
func versionOf(ref blob.Ref) *string {
	if ref.Version == "" {
		return nil
	}
	return &ref.Version
}

// codeOf returns the server's own word for an error, and the HTTP status; ""
// and 0 where none came.
func codeOf(err error) (code string, status int) {
	var api smithy.APIError
	if errors.As(err, &api) {
		code = api.ErrorCode()
	}
	var response *awshttp.ResponseError
	if errors.As(err, &response) {
		status = response.HTTPStatusCode()
	}
	return code, status
}

// failed classifies what the server, or the way to it, said.
func failed(ctx context.Context, doing string, err error) error {
	if ctx.Err() != nil {
		return errors.Join(ctx.Err(), err)
	}
	code, status := codeOf(err)
	switch {
	case status == http.StatusUnauthorized, status == http.StatusForbidden:
		return blob.Unavailable("BLOB_STORE_REFUSED", doing, err)
	case status == http.StatusInsufficientStorage, code == "QuotaExceeded":
		return blob.Unavailable("BLOB_STORE_FULL", doing+", its space is used up,", err)
	default:
		return blob.Unavailable("BLOB_STORE_UNAVAILABLE", doing, err)
	}
}

// missing says whether err means that there is no such blob or version.
func missing(err error, ref blob.Ref) bool {
	code, status := codeOf(err)
	if code == "NoSuchBucket" {
		return false
	}
	// A version that is no version of this server's is a 400.
	return status == http.StatusNotFound || ref.Version != "" && (status == http.StatusBadRequest || status == http.StatusMethodNotAllowed)
}

// Put implements blob.Store.
func (s *Store) Put(ctx context.Context, key blob.Key, src io.ReaderAt, want blob.Digest) (blob.Placed, error) {
	if err := blob.CheckPut(key, want); err != nil {
		return blob.Placed{}, err
	}
	if err := blob.CheckSource(ctx, src, want); err != nil {
		return blob.Placed{}, err
	}
	sum := base64.StdEncoding.EncodeToString(want.SHA256[:])
	out, err := s.client.PutObject(ctx, &s3.PutObjectInput{
		Bucket:            s.bucketOf(string(key)),
		Key:               s.name(key),
		Body:              io.NewSectionReader(src, 0, want.Size),
		ContentLength:     aws.Int64(want.Size),
		ContentType:       aws.String("application/octet-stream"),
		ChecksumAlgorithm: types.ChecksumAlgorithmSha256,
		ChecksumSHA256:    &sum,
		IfNoneMatch:       aws.String("*"),
	}, withPayloadHash(want.Hex()))
	if err == nil {
		return blob.Placed{Ref: blob.Ref{Key: key, Version: aws.ToString(out.VersionId)}}, nil
	}
	// Something is there: perhaps what an earlier try of ours, whose answer got
	// lost, has put. A conflict is another writer's put on its way.
	code, status := codeOf(err)
	if status == http.StatusPreconditionFailed || code == "ConditionalRequestConflict" {
		return s.existing(ctx, key, want)
	}
	return blob.Placed{}, failed(ctx, "store", err)
}

// withPayloadHash spares the SDK from reading the body once more for the
// request's signature: we have just done so.
func withPayloadHash(hex string) func(*s3.Options) {
	return func(o *s3.Options) {
		o.APIOptions = append(o.APIOptions, func(stack *middleware.Stack) error {
			return stack.Initialize.Add(middleware.InitializeMiddlewareFunc("OwnPayloadHash",
				func(ctx context.Context, in middleware.InitializeInput, next middleware.InitializeHandler) (
					middleware.InitializeOutput, middleware.Metadata, error) {
					return next.HandleInitialize(v4.SetPayloadHash(ctx, hex), in)
				}), middleware.Before)
		})
	}
}

// existing answers a put of a key that is taken.
func (s *Store) existing(ctx context.Context, key blob.Key, want blob.Digest) (blob.Placed, error) {
	ref := blob.Ref{Key: key}
	head, err := s.head(ctx, ref)
	if errs.KindOf(err) == errs.NotFound {
		// The other writer has not finished, or has given up.
		return blob.Placed{}, failed(ctx, "store", err)
	}
	if err != nil {
		return blob.Placed{}, err
	}
	if aws.ToInt64(head.ContentLength) != want.Size {
		return blob.Placed{}, blob.KeyTaken(key)
	}
	ref.Version = aws.ToString(head.VersionId)
	if head.ChecksumSHA256 != nil && head.ChecksumType != types.ChecksumTypeComposite {
		if *head.ChecksumSHA256 != base64.StdEncoding.EncodeToString(want.SHA256[:]) {
			return blob.Placed{}, blob.KeyTaken(key)
		}
		return blob.Placed{Ref: ref, Existed: true}, nil
	}
	// Put there by other means, without the digest: look at the bytes.
	switch err := blob.Check(ctx, s, ref, want); {
	case errs.KindOf(err) == errs.Corrupt:
		return blob.Placed{}, blob.KeyTaken(key)
	case err != nil:
		return blob.Placed{}, err
	}
	return blob.Placed{Ref: ref, Existed: true}, nil
}

// Open implements blob.Store.
func (s *Store) Open(ctx context.Context, ref blob.Ref, offset, length int64) (io.ReadCloser, error) {
	if err := ref.Key.Check(); err != nil {
		return nil, err
	}
	if offset < 0 || offset > blob.MaxSize || length == 0 {
		return s.empty(ctx, ref, offset)
	}
	in := &s3.GetObjectInput{
		Bucket: s.bucketOf(string(ref.Key)), Key: s.name(ref.Key), VersionId: versionOf(ref),
	}
	switch {
	case offset == 0 && length < 0:
		in.ChecksumMode = types.ChecksumModeEnabled // the SDK compares at the end
	case length < 0:
		in.Range = aws.String(fmt.Sprintf("bytes=%d-", offset))
	default:
		// The last byte may lie past the end, and must not pass int64's.
		in.Range = aws.String(fmt.Sprintf("bytes=%d-%d", offset, offset+min(length, blob.MaxSize)-1))
	}
	out, err := s.client.GetObject(ctx, in)
	if err != nil {
		if _, status := codeOf(err); status == http.StatusRequestedRangeNotSatisfiable {
			return s.empty(ctx, ref, offset)
		}
		if missing(err, ref) {
			return nil, blob.NotFound(ref)
		}
		return nil, failed(ctx, "read", err)
	}
	if in.Range != nil && out.ContentRange == nil && offset > 0 {
		err := errors.New("the server answered a range with the whole blob")
		return nil, failed(ctx, "read", errors.Join(err, out.Body.Close()))
	}
	return &body{ReadCloser: out.Body, ctx: ctx}, nil
}

// empty answers Open for a range that holds nothing, if it is a range at all.
func (s *Store) empty(ctx context.Context, ref blob.Ref, offset int64) (io.ReadCloser, error) {
	info, err := s.Stat(ctx, ref)
	if err != nil {
		return nil, err
	}
	if _, err := blob.CheckRange(offset, 0, info.Size); err != nil {
		return nil, err
	}
	return http.NoBody, nil
}

// body classifies the errors of reading.
type body struct {
	io.ReadCloser
	ctx context.Context // of Open, which also ends the request
}

func (b *body) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		err = failed(b.ctx, "read", err)
	}
	return n, err
}

func (s *Store) head(ctx context.Context, ref blob.Ref) (*s3.HeadObjectOutput, error) {
	out, err := s.client.HeadObject(ctx, &s3.HeadObjectInput{
		Bucket: s.bucketOf(string(ref.Key)), Key: s.name(ref.Key), VersionId: versionOf(ref),
		ChecksumMode: types.ChecksumModeEnabled,
	})
	if err != nil {
		if missing(err, ref) {
			return nil, blob.NotFound(ref)
		}
		return nil, failed(ctx, "read", err)
	}
	return out, nil
}

// Stat implements blob.Store.
func (s *Store) Stat(ctx context.Context, ref blob.Ref) (blob.Info, error) {
	if err := ref.Key.Check(); err != nil {
		return blob.Info{}, err
	}
	head, err := s.head(ctx, ref)
	if err != nil {
		return blob.Info{}, err
	}
	return blob.Info{
		Ref:           blob.Ref{Key: ref.Key, Version: aws.ToString(head.VersionId)},
		Size:          aws.ToInt64(head.ContentLength),
		Modified:      aws.ToTime(head.LastModified).UTC().Truncate(time.Millisecond),
		RetainedUntil: aws.ToTime(head.ObjectLockRetainUntilDate).UTC(),
		Held:          head.ObjectLockLegalHoldStatus == types.ObjectLockLegalHoldStatusOn,
	}, nil
}

// List implements blob.Store.
func (s *Store) List(ctx context.Context, prefix string, after blob.Key, limit int) ([]blob.Info, error) {
	if err := blob.CheckList(prefix, after, limit); err != nil {
		return nil, err
	}
	in := &s3.ListObjectsV2Input{
		Bucket: s.bucketOf(prefix), Prefix: aws.String(s.cfg.Prefix + prefix), MaxKeys: aws.Int32(int32(limit)),
	}
	if after != "" {
		in.StartAfter = s.name(after)
	}
	var found []blob.Info
	for {
		out, err := s.client.ListObjectsV2(ctx, in)
		if err != nil {
			return nil, failed(ctx, "list", err)
		}
		for _, o := range out.Contents {
			key := blob.Key(strings.TrimPrefix(aws.ToString(o.Key), s.cfg.Prefix))
			if key.Check() != nil {
				continue // nothing that this program has put
			}
			found = append(found, blob.Info{
				Ref: blob.Ref{Key: key}, Size: aws.ToInt64(o.Size),
				Modified: aws.ToTime(o.LastModified).UTC().Truncate(time.Millisecond),
			})
			if len(found) == limit {
				return found, nil
			}
		}
		if !aws.ToBool(out.IsTruncated) {
			return found, nil
		}
		if aws.ToString(out.NextContinuationToken) == "" {
			return nil, failed(ctx, "list", errors.New("the server's list goes on without saying where"))
		}
		in.ContinuationToken = out.NextContinuationToken
	}
}

// Delete implements blob.Store.
func (s *Store) Delete(ctx context.Context, key blob.Key) error {
	if err := blob.CheckDelete(key); err != nil {
		return err
	}
	bucket, name, setup := s.bucketOf(string(key)), s.name(key), s.evidence
	if key.Staging() {
		setup = s.staging
	}
	if !setup.versions {
		return s.deleteOne(ctx, bucket, name, nil)
	}
	pages := s3.NewListObjectVersionsPaginator(s.client, &s3.ListObjectVersionsInput{Bucket: bucket, Prefix: name})
	for pages.HasMorePages() {
		page, err := pages.NextPage(ctx)
		if err != nil {
			return failed(ctx, "delete", err)
		}
		for _, v := range page.Versions {
			if aws.ToString(v.Key) != *name {
				continue // a longer key
			}
			err := s.deleteOne(ctx, bucket, name, v.VersionId)
			if errs.ReasonOf(err) == "BLOB_STORE_REFUSED" && setup.retains {
				// Retained by the bucket's own rule: out of sight is all we can do.
				return s.deleteOne(ctx, bucket, name, nil)
			}
			if err != nil {
				return err
			}
		}
		for _, m := range page.DeleteMarkers {
			if aws.ToString(m.Key) != *name {
				continue
			}
			if err := s.deleteOne(ctx, bucket, name, m.VersionId); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *Store) deleteOne(ctx context.Context, bucket, name, version *string) error {
	_, err := s.client.DeleteObject(ctx, &s3.DeleteObjectInput{Bucket: bucket, Key: name, VersionId: version})
	if err != nil && !missing(err, blob.Ref{Version: aws.ToString(version)}) {
		return failed(ctx, "delete", err)
	}
	return nil
}
