package seal

import (
	"context"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"

	"witnessmark/internal/errs"
)

// maxProof bounds the hashes in a proof: a tree of 2⁶³ leaves needs fewer.
const maxProof = 128

// NodeSource gives the hashes of nodes that Tree.Append visited, in the order
// asked, all in one call so that a database answers with one query. A node that
// it does not hold is an error.
type NodeSource interface {
	Nodes(ctx context.Context, ids []NodeID) ([]Hash, error)
}

// NodeMap is a NodeSource in memory. Its Keep is a visit function for Append.
type NodeMap map[NodeID]Hash

// Keep stores one node.
func (m NodeMap) Keep(id NodeID, h Hash) { m[id] = h }

// Nodes implements NodeSource. The error is NotFound, reason NODE_MISSING.
func (m NodeMap) Nodes(_ context.Context, ids []NodeID) ([]Hash, error) {
	hashes := make([]Hash, len(ids))
	for i, id := range ids {
		h, ok := m[id]
		if !ok {
			return nil, errs.Newf(errs.NotFound, "NODE_MISSING", "the tree node at level %d, index %d is not stored", id.Level, id.Index)
		}
		hashes[i] = h
	}
	return hashes, nil
}

// InclusionProof proves that leaf index (0 is the first) is in the tree of the
// given size, which may be smaller than the tree now is. RFC 9162 section 2.1.3.
//
// The error is Invalid, reason PROOF_OUT_OF_RANGE, unless index < size ≤
// MaxTreeSize, or the source's own.
func InclusionProof(ctx context.Context, src NodeSource, index, size uint64) ([]Hash, error) {
	if index >= size || size > MaxTreeSize {
		return nil, outOfRange(index, size)
	}
	n, err := proof.Inclusion(index, size)
	if err != nil {
		return nil, outOfRange(index, size).Because(err)
	}
	return gather(ctx, src, n)
}

// ConsistencyProof proves that the tree of size old is the beginning of the tree
// of size new. It is empty if old is 0 or equals new. RFC 9162 section 2.1.4.
//
// The error is Invalid, reason PROOF_OUT_OF_RANGE, unless old ≤ new ≤
// MaxTreeSize, or the source's own.
func ConsistencyProof(ctx context.Context, src NodeSource, old, new uint64) ([]Hash, error) {
	if old > new || new > MaxTreeSize {
		return nil, outOfRange(old, new)
	}
	n, err := proof.Consistency(old, new)
	if err != nil {
		return nil, outOfRange(old, new).Because(err)
	}
	return gather(ctx, src, n)
}

func outOfRange(a, b uint64) *errs.Error {
	return errs.Newf(errs.Invalid, "PROOF_OUT_OF_RANGE", "%d does not lie within a tree of %d leaves", a, b)
}

func gather(ctx context.Context, src NodeSource, n proof.Nodes) ([]Hash, error) {
	if len(n.IDs) == 0 {
		return nil, nil
	}
	ids := make([]NodeID, len(n.IDs))
	for i, id := range n.IDs {
		ids[i] = NodeID{id.Level, id.Index}
	}
	got, err := src.Nodes(ctx, ids)
	if err != nil {
		return nil, err
	}
	if len(got) != len(ids) {
		return nil, errs.Newf(errs.Corrupt, "NODE_MISSING", "%d tree nodes were asked for, %d came back", len(ids), len(got))
	}
	path, err := n.Rehash(byteSlices(got), compact.HashFn(rfc6962.DefaultHasher.HashChildren))
	if err != nil {
		return nil, errs.New(errs.Corrupt, "NODE_MISSING", "the tree nodes do not make a proof").Because(err)
	}
	out := make([]Hash, len(path))
	for i, h := range path {
		out[i] = Hash(h)
	}
	return out, nil
}

// VerifyInclusion checks that the leaf with this hash stands at index in the
// tree of that size and root. A root does not hold its size: a path may also fit
// a neighbouring size of the same shape, so both come from one checkpoint.
//
// The error is Corrupt, reason INCLUSION_WRONG, if not, whatever is wrong with
// it: index not below size, path too long, too short or of other nodes, another
// leaf, another root.
func VerifyInclusion(leaf Hash, index, size uint64, path []Hash, root Hash) error {
	if len(path) > maxProof || size > MaxTreeSize {
		return errs.Newf(errs.Corrupt, "INCLUSION_WRONG", "a path of %d hashes in a tree of %d leaves is not possible", len(path), size)
	}
	if err := proof.VerifyInclusion(rfc6962.DefaultHasher, index, size, leaf[:], byteSlices(path), root[:]); err != nil {
		return errs.Newf(errs.Corrupt, "INCLUSION_WRONG", "the path does not lead from leaf %d to the root of %d leaves", index, size).Because(err)
	}
	return nil
}

// VerifyConsistency checks that the tree (old, oldRoot) is the beginning of the
// tree (new, newRoot).
//
// The error is Corrupt, reason CONSISTENCY_WRONG, if not.
func VerifyConsistency(old, new uint64, path []Hash, oldRoot, newRoot Hash) error {
	wrong := errs.Newf(errs.Corrupt, "CONSISTENCY_WRONG", "the path does not show that %d leaves grew into %d with nothing changed", old, new)
	if len(path) > maxProof || new > MaxTreeSize {
		return wrong
	}
	// The library takes any root for size 0: it has nothing to compare it with.
	if old == 0 && oldRoot != EmptyRoot() || new == 0 && newRoot != EmptyRoot() {
		return wrong
	}
	if err := proof.VerifyConsistency(rfc6962.DefaultHasher, old, new, byteSlices(path), oldRoot[:], newRoot[:]); err != nil {
		return wrong.Because(err)
	}
	return nil
}

func byteSlices(hs []Hash) [][]byte {
	out := make([][]byte, len(hs))
	for i := range hs {
		out[i] = hs[i][:]
	}
	return out
}
