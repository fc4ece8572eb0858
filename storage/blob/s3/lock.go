package s3

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/aws/aws-sdk-go-v2/service/s3/types"

	"witnessmark/internal/errs"
	"witnessmark/storage/blob"
)

// probeRetention is how long a probe is retained that could not be removed.
const probeRetention = time.Minute

// Retain implements blob.Store. The mode is the configuration's; a version that
// already stands under compliance stays so. Times are rounded up to the second.
func (s *Store) Retain(ctx context.Context, ref blob.Ref, until time.Time) (time.Time, error) {
	if err := ref.Key.Check(); err != nil {
		return time.Time{}, err
	}
	head, err := s.head(ctx, ref)
	if err != nil {
		return time.Time{}, err
	}
	if !s.lockable(ref) {
		return time.Time{}, blob.NotEnforced(s.where())
	}
	if cut := until.UTC().Truncate(time.Second); cut.Equal(until) {
		until = cut
	} else {
		until = cut.Add(time.Second)
	}
	stands := aws.ToTime(head.ObjectLockRetainUntilDate).UTC()
	if !until.After(stands) {
		return stands, nil
	}
	mode := types.ObjectLockRetentionModeGovernance
	if s.cfg.Compliance || head.ObjectLockMode == types.ObjectLockModeCompliance {
		mode = types.ObjectLockRetentionModeCompliance
	}
	_, err = s.client.PutObjectRetention(ctx, &s3.PutObjectRetentionInput{
		Bucket: s.bucketOf(string(ref.Key)), Key: s.name(ref.Key), VersionId: head.VersionId,
		Retention:         &types.ObjectLockRetention{Mode: mode, RetainUntilDate: &until},
		ChecksumAlgorithm: types.ChecksumAlgorithmSha256,
	})
	if err != nil {
		return time.Time{}, failed(ctx, "retain", err)
	}
	return until, nil
}

// Hold implements blob.Store.
func (s *Store) Hold(ctx context.Context, ref blob.Ref, on bool) error {
	if err := ref.Key.Check(); err != nil {
		return err
	}
	head, err := s.head(ctx, ref)
	if err != nil {
		return err
	}
	if !s.lockable(ref) {
		return blob.NotEnforced(s.where())
	}
	status := types.ObjectLockLegalHoldStatusOff
	if on {
		status = types.ObjectLockLegalHoldStatusOn
	}
	_, err = s.client.PutObjectLegalHold(ctx, &s3.PutObjectLegalHoldInput{
		Bucket: s.bucketOf(string(ref.Key)), Key: s.name(ref.Key), VersionId: head.VersionId,
		LegalHold:         &types.ObjectLockLegalHold{Status: status},
		ChecksumAlgorithm: types.ChecksumAlgorithmSha256,
	})
	if err != nil {
		return failed(ctx, "hold", err)
	}
	return nil
}

// lockable says whether the bucket of ref keeps retention.
func (s *Store) lockable(ref blob.Ref) bool {
	if ref.Key.Staging() {
		return s.staging.lock
	}
	return s.evidence.lock
}

func (s *Store) where() string { return "the bucket " + s.cfg.Bucket }

// setups asks both buckets.
func (s *Store) setups(ctx context.Context) (evidence, staging setup, err error) {
	if evidence, err = s.setupOf(ctx, s.cfg.Bucket); err != nil {
		return setup{}, setup{}, err
	}
	staging = evidence
	if s.cfg.StagingBucket != s.cfg.Bucket {
		if staging, err = s.setupOf(ctx, s.cfg.StagingBucket); err != nil {
			return setup{}, setup{}, err
		}
	}
	return evidence, staging, nil
}

func (s *Store) setupOf(ctx context.Context, bucket string) (setup, error) {
	doing := "say how the bucket " + bucket + " is set up"
	versions, err := s.client.GetBucketVersioning(ctx, &s3.GetBucketVersioningInput{Bucket: &bucket})
	if err != nil {
		// A server that cannot do versions at all says so in one of these ways.
		if code, _ := codeOf(err); code != "NotImplemented" && code != "VersioningNotConfigured" {
			return setup{}, failed(ctx, doing, err)
		}
		versions = &s3.GetBucketVersioningOutput{}
	}
	var got setup
	// A bucket whose versions were suspended still has those from before.
	got.versions = versions.Status == types.BucketVersioningStatusEnabled || versions.Status == types.BucketVersioningStatusSuspended
	lock, err := s.client.GetObjectLockConfiguration(ctx, &s3.GetObjectLockConfigurationInput{Bucket: &bucket})
	if err != nil {
		if code, _ := codeOf(err); code != "ObjectLockConfigurationNotFoundError" && code != "NotImplemented" {
			return setup{}, failed(ctx, doing, err)
		}
		return got, nil
	}
	if c := lock.ObjectLockConfiguration; c != nil {
		got.lock = c.ObjectLockEnabled == types.ObjectLockEnabledEnabled
		if c.Rule != nil && c.Rule.DefaultRetention != nil {
			got.retains = true
			got.compliance = c.Rule.DefaultRetention.Mode == types.ObjectLockRetentionModeCompliance
		}
	}
	return got, nil
}

// Capabilities implements blob.Store.
func (s *Store) Capabilities(ctx context.Context) (blob.Capabilities, error) {
	evidence, staging, err := s.setups(ctx)
	if err != nil {
		return blob.Capabilities{}, err
	}
	return blob.Capabilities{
		Where:         s.where(),
		Versions:      evidence.versions,
		ObjectLock:    evidence.lock,
		Compliance:    evidence.lock && (s.cfg.Compliance || evidence.compliance),
		StagingLocked: staging.retains,
	}, nil
}

// Probe implements blob.Store.
func (s *Store) Probe(ctx context.Context) (blob.Report, error) {
	caps, err := s.Capabilities(ctx)
	if err != nil {
		return blob.Report{}, err
	}
	r := blob.Report{Capabilities: caps}
	say := func(format string, args ...any) { r.Lines = append(r.Lines, fmt.Sprintf(format, args...)) }
	if err := blob.TryWriting(ctx, s); err != nil {
		say("%s cannot be used for uploads: %v.", "The bucket "+s.cfg.StagingBucket, err)
		return r, nil
	}
	r.Writable = true
	say("The bucket %s can be written to, read and cleaned up.", s.cfg.StagingBucket)
	if caps.StagingLocked {
		say("The bucket %s retains everything by default, uploads on their way too: name a staging bucket without a default retention.", s.cfg.StagingBucket)
	}
	if !caps.ObjectLock {
		say("The bucket %s has no object lock: whoever holds its credential can delete. The seal would show it.", s.cfg.Bucket)
		return r, nil
	}
	if err := s.probeLock(ctx, &r, say); err != nil {
		say("Whether the bucket %s keeps retention could not be tried: %v.", s.cfg.Bucket, err)
	}
	return r, nil
}

// probeLock puts a small blob under retention, by governance whatever the
// configuration says, and tries to delete it.
func (s *Store) probeLock(ctx context.Context, r *blob.Report, say func(string, ...any)) error {
	text := []byte(rand.Text())
	key := blob.DerivedKey(blob.ProbeOwner, "probe", blob.DigestOf(text).Hex())
	placed, err := s.Put(ctx, key, bytes.NewReader(text), blob.DigestOf(text))
	if err != nil {
		return err
	}
	bucket, name := s.bucketOf(string(key)), s.name(key)
	remove := func(bypass *bool) error {
		_, err := s.client.DeleteObject(ctx, &s3.DeleteObjectInput{
			Bucket: bucket, Key: name, VersionId: versionOf(placed.Ref), BypassGovernanceRetention: bypass,
		})
		return err
	}
	_, err = s.client.PutObjectRetention(ctx, &s3.PutObjectRetentionInput{
		Bucket: bucket, Key: name, VersionId: versionOf(placed.Ref),
		Retention: &types.ObjectLockRetention{
			Mode:            types.ObjectLockRetentionModeGovernance,
			RetainUntilDate: aws.Time(time.Now().UTC().Add(probeRetention)),
		},
		ChecksumAlgorithm: types.ChecksumAlgorithmSha256,
	})
	// Under a default retention that is longer, or stricter, this is refused,
	// and the probe is as well protected as it can be.
	if err != nil && !s.evidence.retains {
		return errors.Join(failed(ctx, "retain", err), s.Delete(ctx, key))
	}
	err = remove(nil)
	switch {
	case err == nil:
		say("The bucket %s says that it has object lock, yet it deleted a version under retention: do not rely on it.", s.cfg.Bucket)
		return nil
	case errs.ReasonOf(failed(ctx, "delete", err)) != "BLOB_STORE_REFUSED":
		return failed(ctx, "delete", err)
	}
	r.Enforced = true
	if r.Compliance {
		say("The bucket %s refused to delete a version under retention. Evidence is locked in compliance mode: nobody can delete it before its time.", s.cfg.Bucket)
	} else {
		say("The bucket %s refused to delete a version under retention. Evidence is locked in governance mode: a privileged credential can still delete it.", s.cfg.Bucket)
	}
	if err := remove(aws.Bool(true)); err != nil {
		say("The probe itself, %d bytes, stays until its retention ends: this credential may not delete it, which is as it should be.", len(text))
	} else {
		say("This credential may delete evidence before its time (s3:BypassGovernanceRetention): take that right from it.")
	}
	return nil
}

var _ blob.Store = (*Store)(nil)
