package depot

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// Bucket is a depot in an object store.
type Bucket struct {
	client *minio.Client
	bucket string
	prefix string // empty or ending in a slash
}

// silence bounds how long a server may take to answer at all. A body that stops
// coming is the caller's to notice, through ctx.
const silence = 20 * time.Second

// OpenBucket names a bucket, which must exist, as s3://BUCKET/PREFIX on the server at
// endpoint, https://HOST:PORT or, for a server on a trusted wire, http://HOST:PORT.
// Keys come from AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY. It does not connect.
func OpenBucket(place, endpoint string) (*Bucket, error) {
	at, err := url.Parse(place)
	if err != nil || at.Scheme != "s3" || at.Host == "" || at.RawQuery != "" {
		return nil, fmt.Errorf("%w: %q is not s3://BUCKET/PREFIX", ErrKey, place)
	}
	server, err := url.Parse(endpoint)
	if err != nil || server.Host == "" || server.Scheme != "https" && server.Scheme != "http" || strings.Trim(server.Path, "/") != "" {
		return nil, fmt.Errorf("%w: endpoint %q is not https://HOST:PORT", ErrKey, endpoint)
	}
	prefix := strings.Trim(at.Path, "/")
	if prefix != "" {
		if err := checkKey(prefix); err != nil {
			return nil, err
		}
		prefix += "/"
	}
	c, err := minio.New(server.Host, &minio.Options{
		Creds: credentials.NewEnvAWS(), Secure: server.Scheme == "https", Region: "us-east-1", MaxRetries: 2,
		BucketLookup: minio.BucketLookupPath,
		Transport: &http.Transport{DialContext: (&net.Dialer{Timeout: silence / 2}).DialContext, TLSHandshakeTimeout: silence / 2,
			ResponseHeaderTimeout: silence, IdleConnTimeout: time.Minute, MaxIdleConnsPerHost: 16},
	})
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrKey, err)
	}
	return &Bucket{client: c, bucket: at.Host, prefix: prefix}, nil
}

// Put implements Depot. The server checks each part of the body against its MD5.
func (b *Bucket) Put(ctx context.Context, key string, r io.Reader, size int64) error {
	if err := checkKey(key); err != nil {
		return err
	}
	body := &plainReader{r: r}
	_, err := b.client.PutObject(ctx, b.bucket, b.prefix+key, body, size, minio.PutObjectOptions{SendContentMd5: true, DisableContentSha256: true})
	if err != nil {
		return away("put", key, err)
	}
	return nil
}

type plainReader struct{ r io.Reader }

// Read hides Seek and ReadAt of a file, which the client would use to send parts side
// by side and to begin anew: one reader, one pass.
func (c *plainReader) Read(p []byte) (int, error) { return c.r.Read(p) }

// Get implements Depot.
func (b *Bucket) Get(ctx context.Context, key string) (io.ReadCloser, error) {
	if err := checkKey(key); err != nil {
		return nil, err
	}
	o, err := b.client.GetObject(ctx, b.bucket, b.prefix+key, minio.GetObjectOptions{})
	var info minio.ObjectInfo
	if err == nil {
		if info, err = o.Stat(); err == nil {
			return &wholeReader{o: o, key: key, left: info.Size}, nil
		}
		o.Close()
	}
	if minio.ToErrorResponse(err).Code == minio.NoSuchKey {
		// So says the client of a bucket that is not there too.
		there, berr := b.client.BucketExists(ctx, b.bucket)
		if there {
			return nil, fmt.Errorf("%w: %s", ErrAbsent, key)
		}
		err = errors.Join(err, berr)
	}
	return nil, away("get", key, err)
}

// wholeReader makes a body that ends early an error.
type wholeReader struct {
	o    *minio.Object
	key  string
	left int64
}

func (w *wholeReader) Read(p []byte) (int, error) {
	n, err := w.o.Read(p)
	w.left -= int64(n)
	if errors.Is(err, io.EOF) && w.left != 0 {
		err = io.ErrUnexpectedEOF
	}
	if err != nil && err != io.EOF {
		err = away("read", w.key, err)
	}
	return n, err
}

func (w *wholeReader) Close() error { return w.o.Close() }

// Delete implements Depot.
func (b *Bucket) Delete(ctx context.Context, key string) error {
	if err := checkKey(key); err != nil {
		return err
	}
	if err := b.client.RemoveObject(ctx, b.bucket, b.prefix+key, minio.RemoveObjectOptions{}); err != nil {
		return away("delete", key, err)
	}
	return nil
}

// List implements Depot.
func (b *Bucket) List(ctx context.Context, folder string) ([]string, error) {
	if folder != "" {
		if err := checkKey(folder); err != nil {
			return nil, err
		}
		folder += "/"
	}
	ctx, cancel := context.WithCancel(ctx) // the listing goes on until it ends
	defer cancel()
	var keys []string
	for o := range b.client.ListObjects(ctx, b.bucket, minio.ListObjectsOptions{Prefix: b.prefix + folder, Recursive: true}) {
		if o.Err != nil {
			return nil, away("list", folder, o.Err)
		}
		keys = append(keys, strings.TrimPrefix(o.Key, b.prefix))
	}
	if err := ctx.Err(); err != nil {
		return nil, away("list", folder, err)
	}
	slices.Sort(keys)
	return keys, nil
}
