package photo

import (
	"cmp"
	"math/bits"
	"slices"
	"sync"
)

// The default limits for a twin, from the table in README.md: with them fewer
// than one in a hundred look-alike pictures has a false twin.
const (
	defaultTwinCoarse = 10
	defaultTwinFine   = 36
)

// Look is how one photo looks in all eight ways it can be turned and mirrored.
// Only the upright one goes into the index; all eight are looked up, so that
// turning a copy does not hide it.
type Look struct {
	Upright Fingerprint
	Turned  [7]Fingerprint // as by the Exif orientations 2 to 8
}

// Match is a known photo that looks like the one asked about.
type Match struct {
	ID           string
	Coarse, Fine int  // differing bits of 64 and 256
	Turned       bool // only when turned or mirrored
}

// TwinIndex finds near fingerprints. It goes through all of them in one tight
// loop: a million take about a millisecond for each way of turning, always, and
// look-alike pictures cannot slow it down as they do a tree or a table of
// partial hashes, whose buckets they fill. It needs 56 bytes for each photo
// besides its id. All methods may be called at the same time.
type TwinIndex struct {
	mu     sync.RWMutex
	coarse []uint64
	fine   [][4]uint64
	ids    []string
	at     map[string]int
}

// NewTwinIndex returns an empty index with room for n photos.
func NewTwinIndex(n int) *TwinIndex {
	n = max(n, 0)
	return &TwinIndex{
		coarse: make([]uint64, 0, n), fine: make([][4]uint64, 0, n),
		ids: make([]string, 0, n), at: make(map[string]int, n),
	}
}

// Len returns how many photos the index knows.
func (x *TwinIndex) Len() int {
	x.mu.RLock()
	defer x.mu.RUnlock()
	return len(x.ids)
}

// Add puts a photo's upright fingerprint into the index; the same id again
// replaces it.
func (x *TwinIndex) Add(id string, f Fingerprint) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if i, ok := x.at[id]; ok {
		x.coarse[i], x.fine[i] = f.Coarse, f.Fine
		return
	}
	x.at[id] = len(x.ids)
	x.coarse = append(x.coarse, f.Coarse)
	x.fine = append(x.fine, f.Fine)
	x.ids = append(x.ids, id)
}

// Remove forgets a photo; an unknown id is ignored.
func (x *TwinIndex) Remove(id string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	i, ok := x.at[id]
	if !ok {
		return
	}
	last := len(x.ids) - 1
	x.coarse[i], x.fine[i], x.ids[i] = x.coarse[last], x.fine[last], x.ids[last]
	x.at[x.ids[i]] = i
	delete(x.at, id)
	x.coarse, x.fine, x.ids = x.coarse[:last], x.fine[:last], x.ids[:last]
}

// maxMatches bounds an answer: a person looks at a few, not at hundreds.
const maxMatches = 50

// Near returns the photos whose fingerprints differ in at most coarse of 64 and
// fine of 256 bits from any way of turning look: the nearest first, each once, at
// most 50. The order is settled by distance, then id.
func (x *TwinIndex) Near(look Look, coarse, fine int) []Match {
	x.mu.RLock()
	defer x.mu.RUnlock()
	best := map[int]Match{}
	for turn := range 8 {
		f := look.Upright
		if turn > 0 {
			f = look.Turned[turn-1]
		}
		for i, c := range x.coarse {
			d := bits.OnesCount64(c ^ f.Coarse)
			if d > coarse {
				continue
			}
			g := &x.fine[i]
			n := bits.OnesCount64(g[0]^f.Fine[0]) + bits.OnesCount64(g[1]^f.Fine[1]) +
				bits.OnesCount64(g[2]^f.Fine[2]) + bits.OnesCount64(g[3]^f.Fine[3])
			if n > fine {
				continue
			}
			if old, ok := best[i]; !ok || n < old.Fine {
				best[i] = Match{ID: x.ids[i], Coarse: d, Fine: n, Turned: turn > 0}
			}
		}
	}
	out := make([]Match, 0, len(best))
	for _, m := range best {
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b Match) int {
		return cmp.Or(a.Fine-b.Fine, a.Coarse-b.Coarse, cmp.Compare(a.ID, b.ID))
	})
	return out[:min(len(out), maxMatches)]
}
