package blob

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
)

// ProbeKey returns a new key that Store.Probe may write and delete.
func ProbeKey() Key {
	return ChunkKey(ProbeOwner, DigestOf([]byte(rand.Text())).Hex()[:32], 0)
}

// TryWriting puts a small blob under staging/, reads it back and deletes it;
// the first error comes back. For the stores' Probe.
func TryWriting(ctx context.Context, st Store) error {
	text := []byte(rand.Text())
	key, want := ProbeKey(), DigestOf(text)
	placed, err := st.Put(ctx, key, bytes.NewReader(text), want)
	if err != nil {
		return err
	}
	return errors.Join(Check(ctx, st, placed.Ref, want), st.Delete(ctx, key))
}
