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
	defaultTwinFine   = 32
)

// Look is how one photo looks: as it is, with a little cut off each side, and
// turned and mirrored in the seven other ways. The first two go into the index,
// all are looked up, so that neither turning nor trimming a copy hides it,
// whichever of the two arrives first.
type Look struct {
	Upright Fingerprint
	Trimmed Fingerprint    // trimShare cut off each side
	Turned  [7]Fingerprint // as by the Exif orientations 2 to 8
}

// Match is a known photo that looks like the one asked about.
type Match struct {
	ID           string
	Coarse, Fine int  // differing bits of 64 and 256
	Turned       bool // only when turned or mirrored
}

// TwinIndex finds near fingerprints among a million photos in some milliseconds.
// It needs about 160 bytes for each photo besides its id. All methods may be
// called at the same time.
//
// The coarse part is cut into four bands of 16 bits. Two that differ in at most
// 10 bits differ in at most 2 within some band, so that only the photos in the
// 137 nearest buckets of each band are compared (multi-index hashing: Norouzi,
// Punjani, Fleet, 2012). Pictures that look alike crowd into few buckets; where
// that would cost more than going through all, all are gone through in one tight
// loop, which bounds the worst case.
type TwinIndex struct {
	mu     sync.RWMutex
	coarse []uint64 // two for each photo: upright, trimmed
	fine   [][4]uint64
	ids    []string
	at     map[string]int
	// buckets lists the places in coarse by band and its value; nil while the
	// index is small.
	buckets [bands][][]uint32
}

const (
	bands       = 4
	bandBits    = CoarseBits / bands
	bandsFrom   = 20_000 // places from which the buckets are worth their memory
	mostFlipped = 3      // bits within a band up to which buckets are looked up
)

// flips lists the 16-bit masks of at most mostFlipped bits, fewest first, and
// flipsUpTo how many have at most that many.
var flips, flipsUpTo = func() (masks []uint16, upTo [mostFlipped + 1]int) {
	for n := range upTo {
		for m := range 1 << bandBits {
			if bits.OnesCount16(uint16(m)) == n {
				masks = append(masks, uint16(m))
			}
		}
		upTo[n] = len(masks)
	}
	return masks, upTo
}()

func band(v uint64, b int) uint16 { return uint16(v >> (bandBits * b)) }

// list and unlist keep the buckets; nothing to do while there are none.
func (x *TwinIndex) list(place int) {
	if x.buckets[0] == nil {
		if len(x.coarse) < bandsFrom {
			return
		}
		for b := range x.buckets {
			x.buckets[b] = make([][]uint32, 1<<bandBits)
		}
		for p := range place {
			x.list(p)
		}
	}
	for b := range x.buckets {
		k := &x.buckets[b][band(x.coarse[place], b)]
		*k = append(*k, uint32(place))
	}
}

func (x *TwinIndex) unlist(place int) {
	if x.buckets[0] == nil {
		return
	}
	for b := range x.buckets {
		k := &x.buckets[b][band(x.coarse[place], b)]
		if i := slices.Index(*k, uint32(place)); i >= 0 {
			last := len(*k) - 1
			(*k)[i] = (*k)[last]
			*k = (*k)[:last]
		}
	}
}

// NewTwinIndex returns an empty index with room for n photos.
func NewTwinIndex(n int) *TwinIndex {
	n = max(n, 0)
	return &TwinIndex{
		coarse: make([]uint64, 0, 2*n), fine: make([][4]uint64, 0, 2*n),
		ids: make([]string, 0, n), at: make(map[string]int, n),
	}
}

// Len returns how many photos the index knows.
func (x *TwinIndex) Len() int {
	x.mu.RLock()
	defer x.mu.RUnlock()
	return len(x.ids)
}

// Add puts a photo's fingerprints, as of its Look, into the index; the same id
// again replaces them.
func (x *TwinIndex) Add(id string, upright, trimmed Fingerprint) {
	x.mu.Lock()
	defer x.mu.Unlock()
	i, ok := x.at[id]
	if ok {
		x.unlist(2 * i)
		x.unlist(2*i + 1)
	} else {
		i = len(x.ids)
		x.at[id] = i
		x.ids = append(x.ids, id)
		x.coarse = append(x.coarse, 0, 0)
		x.fine = append(x.fine, [4]uint64{}, [4]uint64{})
	}
	for k, f := range []Fingerprint{upright, trimmed} {
		x.coarse[2*i+k], x.fine[2*i+k] = f.Coarse, f.Fine
		x.list(2*i + k)
	}
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
	for k := range 2 {
		x.unlist(2*i + k)
		if i != last {
			x.unlist(2*last + k)
			x.coarse[2*i+k], x.fine[2*i+k] = x.coarse[2*last+k], x.fine[2*last+k]
			x.list(2*i + k)
		}
	}
	x.ids[i] = x.ids[last]
	x.at[x.ids[i]] = i
	delete(x.at, id)
	x.coarse, x.fine, x.ids = x.coarse[:2*last], x.fine[:2*last], x.ids[:last]
}

// maxMatches bounds an answer: a person looks at a few, not at hundreds.
const maxMatches = 50

// Near returns the photos whose fingerprints differ in at most coarse of 64 and
// fine of 256 bits from one of look's: the nearest first, each once, at most 50.
// The order is settled by distance, then id.
func (x *TwinIndex) Near(look Look, coarse, fine int) []Match {
	asked := [9]Fingerprint{look.Upright, look.Trimmed}
	copy(asked[2:], look.Turned[:])
	x.mu.RLock()
	defer x.mu.RUnlock()
	best := map[int]Match{}
	for turn := range asked {
		f := &asked[turn]
		found := func(place, d int) {
			g := &x.fine[place]
			n := bits.OnesCount64(g[0]^f.Fine[0]) + bits.OnesCount64(g[1]^f.Fine[1]) +
				bits.OnesCount64(g[2]^f.Fine[2]) + bits.OnesCount64(g[3]^f.Fine[3])
			if n > fine {
				return
			}
			m := Match{ID: x.ids[place/2], Coarse: d, Fine: n, Turned: turn > 1}
			if old, ok := best[place/2]; !ok || m.nearer(old) < 0 {
				best[place/2] = m
			}
		}
		if places, ok := x.candidates(f.Coarse, coarse); ok {
			for _, k := range places {
				for _, place := range k {
					if d := bits.OnesCount64(x.coarse[place] ^ f.Coarse); d <= coarse {
						found(int(place), d)
					}
				}
			}
			continue
		}
		for place, c := range x.coarse {
			if d := bits.OnesCount64(c ^ f.Coarse); d <= coarse {
				found(place, d)
			}
		}
	}
	out := make([]Match, 0, len(best))
	for _, m := range best {
		out = append(out, m)
	}
	slices.SortFunc(out, Match.nearer)
	return out[:min(len(out), maxMatches)]
}

// nearer orders matches; negative when m comes first.
func (m Match) nearer(o Match) int {
	turned := func(t bool) int {
		if t {
			return 1
		}
		return 0
	}
	return cmp.Or(m.Fine-o.Fine, m.Coarse-o.Coarse, turned(m.Turned)-turned(o.Turned), cmp.Compare(m.ID, o.ID))
}

// candidates returns the buckets that hold every place within coarse bits of v,
// unless going through all places is as cheap: a place in a bucket costs about
// eight times one in a row, being anywhere in memory.
func (x *TwinIndex) candidates(v uint64, coarse int) (buckets [][]uint32, ok bool) {
	flipped := coarse / bands
	if x.buckets[0] == nil || coarse < 0 || flipped > mostFlipped {
		return nil, false
	}
	all := 0
	for b := range x.buckets {
		for _, m := range flips[:flipsUpTo[flipped]] {
			if k := x.buckets[b][band(v, b)^m]; len(k) > 0 {
				all += len(k)
				buckets = append(buckets, k)
			}
		}
		if all > len(x.coarse)/8 {
			return nil, false
		}
	}
	return buckets, true
}
