package seal_test

import (
	"context"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
)

func unhex(tb testing.TB, s string) []byte {
	tb.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// FIPS 180-4, the published examples of SHA-256.
func TestSumGivesThePublishedDigests(t *testing.T) {
	for _, tc := range []struct{ name, in, want string }{
		{"nothing", "", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
		{"abc", "abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
		{"448 bits", "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq", "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
		{"896 bits", "abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu", "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1"},
		{"a million times a", strings.Repeat("a", 1_000_000), "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := seal.Sum([]byte(tc.in)).String(); got != tc.want {
				t.Errorf("Sum(%d bytes) = %s, want %s", len(tc.in), got, tc.want)
			}
		})
	}
}

type merkleVectors struct {
	EmptyRoot string
	Leaves    []struct{ Input, LeafHash, Root string }
	Inclusion []struct {
		Index, Size uint64
		Path        []string
	}
	Consistency []struct {
		Old, New uint64
		Path     []string
	}
}

// RFC 9162 section 2.1, over the reference inputs of its implementations.
func TestTreeGivesTheReferenceRootsAndProofs(t *testing.T) {
	var v merkleVectors
	vectorJSON(t, "merkle.json", &v)
	tree, nodes := seal.NewTree(), seal.NodeMap{}
	if got, want := tree.Root(), wantHash(t, v.EmptyRoot); got != want || seal.EmptyRoot() != want {
		t.Errorf("root of no leaves = %s, want %s", got, want)
	}
	roots := []seal.Hash{tree.Root()}
	var leaves []seal.Hash
	for i, l := range v.Leaves {
		leaf := seal.LeafHash(unhex(t, l.Input))
		if want := wantHash(t, l.LeafHash); leaf != want {
			t.Errorf("LeafHash(%s) = %s, want %s", l.Input, leaf, want)
		}
		if err := tree.Append(leaf, nodes.Keep); err != nil {
			t.Fatal(err)
		}
		if got, want := tree.Root(), wantHash(t, l.Root); got != want || tree.Size() != uint64(i+1) {
			t.Errorf("root of %d leaves = %s (size %d), want %s", i+1, got, tree.Size(), want)
		}
		leaves, roots = append(leaves, leaf), append(roots, tree.Root())
	}
	hashes := func(hexes []string) []seal.Hash {
		var out []seal.Hash
		for _, h := range hexes {
			out = append(out, wantHash(t, h))
		}
		return out
	}
	for _, p := range v.Inclusion {
		got, err := seal.InclusionProof(t.Context(), nodes, p.Index, p.Size)
		if err != nil || !slices.Equal(got, hashes(p.Path)) {
			t.Errorf("InclusionProof(%d, %d) = %v, %v; want %v", p.Index, p.Size, got, err, p.Path)
		}
	}
	for _, p := range v.Consistency {
		got, err := seal.ConsistencyProof(t.Context(), nodes, p.Old, p.New)
		if err != nil || !slices.Equal(got, hashes(p.Path)) {
			t.Errorf("ConsistencyProof(%d, %d) = %v, %v; want %v", p.Old, p.New, got, err, p.Path)
		}
	}
	proofs := 0
	for size := uint64(1); size <= 8; size++ {
		for index := range size {
			path, err := seal.InclusionProof(t.Context(), nodes, index, size)
			if err != nil {
				t.Fatal(err)
			}
			if err := seal.VerifyInclusion(leaves[index], index, size, path, roots[size]); err != nil {
				t.Errorf("VerifyInclusion(%d, %d) = %v", index, size, err)
			}
			proofs++
		}
		for old := range size + 1 {
			path, err := seal.ConsistencyProof(t.Context(), nodes, old, size)
			if err != nil {
				t.Fatal(err)
			}
			if err := seal.VerifyConsistency(old, size, path, roots[old], roots[size]); err != nil {
				t.Errorf("VerifyConsistency(%d, %d) = %v", old, size, err)
			}
		}
	}
	if proofs != 36 {
		t.Errorf("%d inclusion proofs for sizes 1 to 8, want 36", proofs)
	}

	path := hashes(v.Inclusion[2].Path) // leaf 5 of 8
	for _, tc := range []struct {
		name        string
		leaf        seal.Hash
		index, size uint64
		path        []seal.Hash
		root        seal.Hash
	}{
		{"index not below size", leaves[5], 8, 8, path, roots[8]},
		{"path too short", leaves[5], 5, 8, path[:2], roots[8]},
		{"path too long", leaves[5], 5, 8, append(slices.Clone(path), path[0]), roots[8]},
		{"absurdly long path", leaves[5], 5, 8, make([]seal.Hash, 1000), roots[8]},
		{"siblings swapped", leaves[5], 5, 8, []seal.Hash{path[1], path[0], path[2]}, roots[8]},
		{"a size with another shape", leaves[5], 5, 6, path, roots[8]},
		{"another leaf", leaves[4], 5, 8, path, roots[8]},
		{"another root", leaves[5], 5, 8, path, roots[7]},
		{"a size over the bound", leaves[5], 5, 1 << 63, path, roots[8]},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if err := seal.VerifyInclusion(tc.leaf, tc.index, tc.size, tc.path, tc.root); !errs.Is(err, "INCLUSION_WRONG") {
				t.Errorf("VerifyInclusion = %v, want INCLUSION_WRONG", err)
			}
		})
	}
	path = hashes(v.Consistency[1].Path) // 1 to 8
	for _, tc := range []struct {
		name     string
		old, new uint64
		path     []seal.Hash
		a, b     seal.Hash
	}{
		{"old root changed", 1, 8, path, roots[2], roots[8]},
		{"new root changed", 1, 8, path, roots[1], roots[7]},
		{"new before old", 8, 1, path, roots[8], roots[1]},
		{"no path", 1, 8, nil, roots[1], roots[8]},
		{"equal sizes, other roots", 8, 8, nil, roots[7], roots[8]},
		{"equal sizes with a path", 8, 8, path, roots[8], roots[8]},
		{"a root for no leaves", 0, 8, nil, roots[1], roots[8]},
		{"two roots for no leaves", 0, 0, nil, roots[1], roots[1]},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if err := seal.VerifyConsistency(tc.old, tc.new, tc.path, tc.a, tc.b); !errs.Is(err, "CONSISTENCY_WRONG") {
				t.Errorf("VerifyConsistency = %v, want CONSISTENCY_WRONG", err)
			}
		})
	}
}

func TestProofsOutsideTheTreeAreRefused(t *testing.T) {
	for _, tc := range []struct {
		name string
		call func() ([]seal.Hash, error)
		want string
	}{
		{"leaf 8 of 8", func() ([]seal.Hash, error) { return seal.InclusionProof(t.Context(), seal.NodeMap{}, 8, 8) }, "PROOF_OUT_OF_RANGE"},
		{"leaf 0 of none", func() ([]seal.Hash, error) { return seal.InclusionProof(t.Context(), seal.NodeMap{}, 0, 0) }, "PROOF_OUT_OF_RANGE"},
		{"from 9 to 8", func() ([]seal.Hash, error) { return seal.ConsistencyProof(t.Context(), seal.NodeMap{}, 9, 8) }, "PROOF_OUT_OF_RANGE"},
		{"nodes that are not stored", func() ([]seal.Hash, error) { return seal.InclusionProof(t.Context(), seal.NodeMap{}, 0, 8) }, "NODE_MISSING"},
		{"a source that answers short", func() ([]seal.Hash, error) { return seal.InclusionProof(t.Context(), shortSource{}, 0, 8) }, "NODE_MISSING"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got, err := tc.call(); !errs.Is(err, tc.want) {
				t.Errorf("got %v, %v; want %s", got, err, tc.want)
			}
		})
	}
}

type shortSource struct{}

func (shortSource) Nodes(context.Context, []seal.NodeID) ([]seal.Hash, error) {
	return make([]seal.Hash, 1), nil
}

// naiveRoot is the definition of RFC 9162 section 2.1.1, word for word.
func naiveRoot(lines [][]byte) seal.Hash {
	switch n := len(lines); n {
	case 0:
		return seal.Sum(nil)
	case 1:
		return seal.Sum(append([]byte{0}, lines[0]...))
	default:
		k := 1
		for k*2 < n {
			k *= 2
		}
		left, right := naiveRoot(lines[:k]), naiveRoot(lines[k:])
		return seal.Sum(append(append([]byte{1}, left[:]...), right[:]...))
	}
}

// naivePath is PATH of RFC 9162 section 2.1.3.1.
func naivePath(m int, lines [][]byte) []seal.Hash {
	n := len(lines)
	if n == 1 {
		return nil
	}
	k := 1
	for k*2 < n {
		k *= 2
	}
	if m < k {
		return append(naivePath(m, lines[:k]), naiveRoot(lines[k:]))
	}
	return append(naivePath(m-k, lines[k:]), naiveRoot(lines[:k]))
}

// naiveSubproof is SUBPROOF of RFC 9162 section 2.1.4.1.
func naiveSubproof(m int, lines [][]byte, whole bool) []seal.Hash {
	n := len(lines)
	if m == n {
		if whole {
			return nil
		}
		return []seal.Hash{naiveRoot(lines)}
	}
	k := 1
	for k*2 < n {
		k *= 2
	}
	if m <= k {
		return append(naiveSubproof(m, lines[:k], whole), naiveRoot(lines[k:]))
	}
	return append(naiveSubproof(m-k, lines[k:], false), naiveRoot(lines[:k]))
}

func TestTreeEqualsTheRecursiveDefinition(t *testing.T) {
	rnd := rand.New(rand.NewPCG(9162, 2019))
	var lines [][]byte
	tree, nodes := seal.NewTree(), seal.NodeMap{}
	for size := 0; size <= 130; size++ {
		if got, want := tree.Root(), naiveRoot(lines); got != want {
			t.Fatalf("root of %d = %s, want %s", size, got, want)
		}
		if got, n := seal.RootOf(slices.Values(lines)); got != tree.Root() || n != uint64(size) {
			t.Fatalf("RootOf(%d lines) = %s, %d; want %s", size, got, n, tree.Root())
		}
		for index := range size {
			got, err := seal.InclusionProof(t.Context(), nodes, uint64(index), uint64(size))
			if err != nil || !slices.Equal(got, naivePath(index, lines)) {
				t.Fatalf("InclusionProof(%d, %d) = %v, %v", index, size, got, err)
			}
		}
		for old := 1; old <= size; old++ {
			got, err := seal.ConsistencyProof(t.Context(), nodes, uint64(old), uint64(size))
			if err != nil || !slices.Equal(got, naiveSubproof(old, lines, true)) {
				t.Fatalf("ConsistencyProof(%d, %d) = %v, %v", old, size, got, err)
			}
		}
		// A server stops and starts between any two appends.
		resumed, err := seal.ResumeTree(tree.State())
		if err != nil || resumed.Root() != tree.Root() || resumed.Size() != tree.Size() {
			t.Fatalf("ResumeTree at %d: %v", size, err)
		}
		tree = resumed
		line := make([]byte, rnd.IntN(40))
		for i := range line {
			line[i] = byte(rnd.Uint32())
		}
		lines = append(lines, line)
		if err := tree.Append(seal.LeafHash(line), nodes.Keep); err != nil {
			t.Fatal(err)
		}
	}
}

func TestResumeTreeRefusesWhatStateDoesNotWrite(t *testing.T) {
	tree := seal.NewTree()
	for i := range 5 {
		if err := tree.Append(seal.LeafHash([]byte{byte(i)}), nil); err != nil {
			t.Fatal(err)
		}
	}
	good := tree.State()
	for _, tc := range []struct {
		name string
		in   []byte
	}{
		{"nothing", nil},
		{"seven bytes", good[:7]},
		{"a hash too few", good[:len(good)-32]},
		{"a byte too many", append(slices.Clone(good), 0)},
		{"a size with more hashes", append([]byte{0, 0, 0, 0, 0, 0, 0, 7}, good[8:]...)},
		{"a size over the bound", append([]byte{255, 255, 255, 255, 255, 255, 255, 255}, make([]byte, 64*32)...)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if _, err := seal.ResumeTree(tc.in); !errs.Is(err, "TREE_STATE_CORRUPT") {
				t.Errorf("ResumeTree = %v, want TREE_STATE_CORRUPT", err)
			}
		})
	}
}

func TestStateIsNotSharedWithTheTree(t *testing.T) {
	tree := seal.NewTree()
	for i := range 6 {
		if err := tree.Append(seal.LeafHash([]byte{byte(i)}), nil); err != nil {
			t.Fatal(err)
		}
	}
	state := tree.State()
	want := tree.Root()
	clear(state[8:])
	if got := tree.Root(); got != want {
		t.Errorf("root after the state's bytes changed = %s, want %s", got, want)
	}
}

func TestParseHashTakesOneSpelling(t *testing.T) {
	good := seal.Sum(nil).Base64()
	if h, err := seal.ParseHash(good); err != nil || h != seal.Sum(nil) {
		t.Errorf("ParseHash(%q) = %v, %v", good, h, err)
	}
	for _, in := range []string{"", "00", good[:43], good + "=", good[:20] + "\n" + good[20:], strings.Replace(good, "+", "-", 1), good[:42] + "V=", strings.Repeat("A", 1<<20)} {
		if h, err := seal.ParseHash(in); !errs.Is(err, "HASH_MALFORMED") {
			t.Errorf("ParseHash(%.50q) = %v, %v; want HASH_MALFORMED", in, h, err)
		}
	}
}

func BenchmarkAppend(b *testing.B) {
	line := []byte(strings.Repeat("x", 1000))
	b.Run("leaf, nodes and root", func(b *testing.B) {
		tree := seal.NewTree()
		kept := 0
		for b.Loop() {
			if err := tree.Append(seal.LeafHash(line), func(seal.NodeID, seal.Hash) { kept++ }); err != nil {
				b.Fatal(err)
			}
			_ = tree.Root()
		}
		b.ReportMetric(float64(kept)/float64(tree.Size()), "nodes/leaf")
	})
	for _, size := range []int{1000, 1_000_000} {
		b.Run(fmt.Sprintf("resume, append, store at %d", size), func(b *testing.B) {
			tree := seal.NewTree()
			for range size {
				if err := tree.Append(seal.Hash{}, nil); err != nil {
					b.Fatal(err)
				}
			}
			state := tree.State()
			for b.Loop() {
				t, err := seal.ResumeTree(state)
				if err != nil {
					b.Fatal(err)
				}
				if err := t.Append(seal.Hash{}, nil); err != nil {
					b.Fatal(err)
				}
				_ = t.State()
			}
			b.ReportMetric(float64(len(state)), "state-bytes")
		})
	}
}
