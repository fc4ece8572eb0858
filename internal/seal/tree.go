package seal

import (
	"encoding/binary"
	"iter"
	"math"
	"math/bits"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/rfc6962"

	"witnessmark/internal/errs"
)

// MaxTreeSize is the largest number of leaves in a tree: sizes stand in signed
// 64-bit columns.
const MaxTreeSize = math.MaxInt64

var factory = &compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}

// EmptyRoot is the root of a tree without leaves, SHA-256 of nothing.
// RFC 9162 section 2.1.1.
func EmptyRoot() Hash { return Hash(rfc6962.DefaultHasher.EmptyRoot()) }

// LeafHash is SHA-256(0x00 ‖ line), where line is the bytes of a record line or
// log leaf without its line feed. RFC 9162 section 2.1.1.
func LeafHash(line []byte) Hash { return Hash(rfc6962.DefaultHasher.HashLeaf(line)) }

// NodeHash is SHA-256(0x01 ‖ left ‖ right). RFC 9162 section 2.1.1.
func NodeHash(left, right Hash) Hash {
	return Hash(rfc6962.DefaultHasher.HashChildren(left[:], right[:]))
}

// NodeID names a node whose subtree is perfect: at level 0 the leaves, at level
// n nodes over 2ⁿ leaves, the first of which is leaf Index·2ⁿ.
type NodeID struct {
	Level uint
	Index uint64
}

// Tree is a Merkle tree that only grows. It holds the O(log n) hashes that
// appending and the root need, never the leaves. A Tree is for one goroutine.
type Tree struct {
	rng *compact.Range
}

// NewTree is a tree without leaves.
func NewTree() *Tree { return &Tree{rng: factory.NewEmptyRange(0)} }

// ResumeTree makes the tree whose State was b, ready to append.
//
// The error is Corrupt, reason TREE_STATE_CORRUPT, if b is not what State
// writes. A state with other hashes of the right count cannot be told from a
// true one: compare Root with a root kept elsewhere.
func ResumeTree(b []byte) (*Tree, error) {
	if len(b) < 8 {
		return nil, errs.Newf(errs.Corrupt, "TREE_STATE_CORRUPT", "a tree state is at least 8 bytes, this is %d", len(b))
	}
	size := binary.BigEndian.Uint64(b)
	if size > MaxTreeSize {
		return nil, errs.Newf(errs.Corrupt, "TREE_STATE_CORRUPT", "a tree state counts %d leaves, at most %d are possible", size, uint64(MaxTreeSize))
	}
	if want := 8 + len(Hash{})*bits.OnesCount64(size); len(b) != want {
		return nil, errs.Newf(errs.Corrupt, "TREE_STATE_CORRUPT", "the state of a tree of %d leaves is %d bytes, this is %d", size, want, len(b))
	}
	var hashes [][]byte
	for rest := b[8:]; len(rest) > 0; rest = rest[len(Hash{}):] {
		h := Hash(rest)
		hashes = append(hashes, h[:])
	}
	rng, err := factory.NewRange(0, size, hashes)
	if err != nil {
		return nil, errs.New(errs.Corrupt, "TREE_STATE_CORRUPT", "the tree state does not fit its size").Because(err)
	}
	return &Tree{rng: rng}, nil
}

// State is all that ResumeTree needs: the size in 8 bytes, most significant
// first, then the hashes of the perfect subtrees from left to right, 32 bytes
// each; their number is the count of one bits in the size.
func (t *Tree) State() []byte {
	b := binary.BigEndian.AppendUint64(nil, t.rng.End())
	for _, h := range t.rng.Hashes() {
		b = append(b, h...)
	}
	return b
}

// Size is the number of leaves.
func (t *Tree) Size() uint64 { return t.rng.End() }

// Root is the root over all leaves so far; EmptyRoot if there are none.
func (t *Tree) Root() Hash {
	root, err := t.rng.GetRootHash(nil)
	if err != nil {
		panic("seal: " + err.Error()) // the range begins at 0 by construction
	}
	if root == nil {
		return EmptyRoot()
	}
	return Hash(root)
}

// Append adds the leaf with this hash. If visit is not nil it is called for the
// leaf and each perfect subtree that the leaf completes, about two nodes for
// each leaf over time: what a NodeSource has to keep.
//
// The error is TooLarge, reason TREE_FULL, at MaxTreeSize.
func (t *Tree) Append(leaf Hash, visit func(NodeID, Hash)) error {
	if t.Size() >= MaxTreeSize {
		return errs.Newf(errs.TooLarge, "TREE_FULL", "a tree holds at most %d leaves", uint64(MaxTreeSize))
	}
	var v compact.VisitFn
	if visit != nil {
		v = func(id compact.NodeID, hash []byte) { visit(NodeID{id.Level, id.Index}, Hash(hash)) }
	}
	if err := t.rng.Append(leaf[:], v); err != nil {
		return errs.New(errs.Corrupt, "TREE_STATE_CORRUPT", "the tree cannot take another leaf").Because(err)
	}
	return nil
}

// RootOf is the root and the number of the lines, each without its line feed.
func RootOf(lines iter.Seq[[]byte]) (Hash, uint64) {
	t := NewTree()
	for line := range lines {
		if err := t.Append(LeafHash(line), nil); err != nil {
			panic("seal: " + err.Error()) // no iterator yields 2⁶³ lines to a tree that began empty
		}
	}
	return t.Root(), t.Size()
}
