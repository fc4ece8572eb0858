package testbed

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/credentials"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/aws/aws-sdk-go-v2/service/s3/types"
)

// S3Config is one bucket of a test's own and how to reach it. Buckets are
// addressed by path.
type S3Config struct {
	Endpoint  string // http://127.0.0.1:port
	Region    string
	Bucket    string
	AccessKey string
	SecretKey string
}

// S3 makes a fresh bucket for this test, with versions and object lock, on a
// real S3 server on the loopback address. The server belongs to this test
// process, is built from internal/tools/go.mod when first asked for, and goes
// away with the process, buckets and locked objects included.
func S3(tb testing.TB) S3Config {
	tb.Helper()
	return bucket(tb, true)
}

// S3WithoutLock is S3 with a bucket that has neither versions nor object lock.
func S3WithoutLock(tb testing.TB) S3Config {
	tb.Helper()
	return bucket(tb, false)
}

// Client returns a client for this bucket's server, for what a test must do
// behind the back of the code under test.
func (c S3Config) Client() *s3.Client {
	return s3.New(s3.Options{
		BaseEndpoint: aws.String(c.Endpoint),
		Region:       c.Region,
		UsePathStyle: true,
		Credentials:  credentials.NewStaticCredentialsProvider(c.AccessKey, c.SecretKey, ""),
	})
}

func bucket(tb testing.TB, lock bool) S3Config {
	tb.Helper()
	cfg, err := gateway()
	if err != nil {
		tb.Fatalf("testbed: this test needs an S3 server: %v", err)
	}
	cfg.Bucket = "t" + random(8)
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	client := cfg.Client()
	_, err = client.CreateBucket(ctx, &s3.CreateBucketInput{
		Bucket:                     &cfg.Bucket,
		ObjectLockEnabledForBucket: aws.Bool(lock),
	})
	if err != nil {
		tb.Fatalf("testbed: make a bucket: %v", err)
	}
	if lock {
		_, err = client.PutBucketVersioning(ctx, &s3.PutBucketVersioningInput{
			Bucket:                  &cfg.Bucket,
			VersioningConfiguration: &types.VersioningConfiguration{Status: types.BucketVersioningStatusEnabled},
		})
		if err != nil {
			tb.Fatalf("testbed: switch the bucket's versions on: %v", err)
		}
	}
	return cfg
}

// gateway starts the server of this process, once.
var gateway = sync.OnceValues(func() (S3Config, error) {
	program, err := gatewayProgram()
	if err != nil {
		return S3Config{}, err
	}
	// The port is free when we look and may be taken when the server binds it:
	// the server then ends at once, and another port is tried.
	var failed error
	for range 5 {
		cfg, err := startGateway(program)
		if err == nil {
			return cfg, nil
		}
		failed = errors.Join(failed, err)
	}
	return S3Config{}, failed
})

// gatewayProgram builds the server, through Go's build cache, and returns the
// path of the executable there.
func gatewayProgram() (string, error) {
	root, err := moduleRoot()
	if err != nil {
		return "", err
	}
	cmd := exec.Command("go", "tool", "-modfile="+filepath.Join("internal", "tools", "go.mod"), "-n", "versitygw")
	cmd.Dir = root
	var complaint strings.Builder
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("build versitygw: %w: %s", err, complaint.String())
	}
	return strings.TrimSpace(string(out)), nil
}

func startGateway(program string) (cfg S3Config, err error) {
	dir, err := folder("s3", nil)
	if err != nil {
		return S3Config{}, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(dir))
		}
	}()
	buckets, versions, sidecar := filepath.Join(dir, "buckets"), filepath.Join(dir, "versions"), filepath.Join(dir, "sidecar")
	for _, d := range []string{buckets, versions, sidecar} {
		if err := os.Mkdir(d, 0o700); err != nil {
			return S3Config{}, err
		}
	}
	address, err := freeAddress()
	if err != nil {
		return S3Config{}, err
	}
	argv := []string{program, "--port", address, "--quiet", "posix", "--versioning-dir", versions}
	if syscall.Setxattr(buckets, "user.witnessmark", []byte("1"), 0) != nil {
		argv = append(argv, "--sidecar", sidecar) // this file system has no extended attributes
	}
	cfg = S3Config{
		Endpoint: "http://" + address, Region: "us-east-1",
		AccessKey: "k" + random(8), SecretKey: random(20),
	}
	s, err := start("s3", dir, "TERM", nil,
		[]string{"ROOT_ACCESS_KEY=" + cfg.AccessKey, "ROOT_SECRET_KEY=" + cfg.SecretKey},
		append(argv, buckets)...)
	if err != nil {
		return S3Config{}, err
	}
	client := cfg.Client()
	err = s.ready(func(ctx context.Context) error {
		_, err := client.ListBuckets(ctx, &s3.ListBucketsInput{})
		return err
	})
	if err != nil {
		return S3Config{}, err
	}
	return cfg, nil
}

// freeAddress returns a loopback address with a port that nobody has just now.
func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	address := l.Addr().String()
	return address, l.Close()
}
