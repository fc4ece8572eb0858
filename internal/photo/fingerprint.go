package photo

import (
	"encoding/binary"
	"encoding/hex"
	"math"
	"math/bits"
	"slices"

	"witnessmark/internal/errs"
)

// Fingerprint describes how a picture looks, so that a copy that was saved again,
// resized, made brighter or trimmed a little is found. Two numbers, because
// pictures of connectors are all alike: the coarse one finds candidates, the fine
// one tells them apart.
type Fingerprint struct {
	// Coarse holds the signs of the 8 × 8 lowest frequencies of the 32 × 32
	// luma against their median (DCT hash), row by row, first bit most significant.
	Coarse uint64
	// Fine holds the 16 × 16 differences of the 17 × 16 luma (difference hash):
	// 1 where the left sample is darker than its right neighbour, rows top down,
	// first bit most significant.
	Fine [4]uint64
}

// CoarseBits and FineBits are the largest distances.
const (
	CoarseBits = 64
	FineBits   = 256
)

// Distance counts the bits that differ in each part.
func (f Fingerprint) Distance(g Fingerprint) (coarse, fine int) {
	coarse = bits.OnesCount64(f.Coarse ^ g.Coarse)
	for i := range f.Fine {
		fine += bits.OnesCount64(f.Fine[i] ^ g.Fine[i])
	}
	return coarse, fine
}

// String is 80 hexadecimal digits: coarse, then fine.
func (f Fingerprint) String() string {
	b := binary.BigEndian.AppendUint64(nil, f.Coarse)
	for _, v := range f.Fine {
		b = binary.BigEndian.AppendUint64(b, v)
	}
	return hex.EncodeToString(b)
}

// ParseFingerprint reads what String wrote. The error is Invalid, reason
// FINGERPRINT_MALFORMED.
func ParseFingerprint(s string) (Fingerprint, error) {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != 40 {
		return Fingerprint{}, errs.New(errs.Invalid, "FINGERPRINT_MALFORMED", "a fingerprint is 80 hexadecimal digits")
	}
	f := Fingerprint{Coarse: binary.BigEndian.Uint64(b)}
	for i := range f.Fine {
		f.Fine[i] = binary.BigEndian.Uint64(b[8+8*i:])
	}
	return f, nil
}

// fingerprint describes an upright luma. A side under the grid repeats samples.
func fingerprint(y plane) Fingerprint {
	f := Fingerprint{Coarse: coarse(squeeze(y, coarseSide, coarseSide))}
	copy(f.Fine[:], differences(squeeze(y, 17, 16)))
	return f
}

const coarseSide = 32

// differences packs 1 for each sample darker than its right neighbour.
func differences(a plane) []uint64 {
	n := (a.w - 1) * a.h
	out := make([]uint64, (n+63)/64)
	i := 0
	for y := range a.h {
		row := a.row(y)
		for x := range a.w - 1 {
			if row[x] < row[x+1] {
				out[i/64] |= 1 << (63 - i%64)
			}
			i++
		}
	}
	return out
}

// cosines holds the first eight rows of the 32-point orthonormal DCT-II.
var cosines = dctRows(coarseSide, 8)

// dctRows returns the first n rows of the orthonormal DCT-II matrix of a size:
// c(k)·cos(π(2x+1)k/2size), c(0) = √(1/size), else √(2/size).
func dctRows(size, n int) [][]float64 {
	out := make([][]float64, n)
	for k := range out {
		out[k] = make([]float64, size)
		c := math.Sqrt(2 / float64(size))
		if k == 0 {
			c = math.Sqrt(1 / float64(size))
		}
		for x := range size {
			out[k][x] = c * math.Cos(math.Pi*float64((2*x+1)*k)/float64(2*size))
		}
	}
	return out
}

// dct transforms a square plane: rows[u]·a·rows[v]ᵀ, one value for each (u, v).
func dct(a plane, rows [][]float64) []float64 {
	across := make([]float64, a.h*len(rows))
	for y := range a.h {
		row := a.row(y)
		for k, c := range rows {
			var s float64
			for x, v := range row {
				s += float64(c[x] * float64(v)) // the conversion forbids a fused step: same on every machine
			}
			across[y*len(rows)+k] = s
		}
	}
	out := make([]float64, len(rows)*len(rows))
	for u, c := range rows {
		for v := range rows {
			var s float64
			for y := range a.h {
				s += float64(c[y] * across[y*len(rows)+v])
			}
			out[u*len(rows)+v] = s
		}
	}
	return out
}

func coarse(a plane) uint64 {
	values := dct(a, cosines)
	sorted := slices.Clone(values[1:]) // the mean says nothing about the picture
	slices.Sort(sorted)
	median := sorted[len(sorted)/2]
	var out uint64
	for i, v := range values {
		if v > median {
			out |= 1 << (63 - i)
		}
	}
	return out
}

// trimShare is cut off each side for the trimmed fingerprint: what stands up to
// about 2 % by itself then does up to about 6 %.
const trimShare = 0.04

// lookOf describes an upright luma in all ways that are looked up.
func lookOf(y plane) Look {
	dx, dy := int(trimShare*float64(y.w)), int(trimShare*float64(y.h))
	trimmed := plane{y.w - 2*dx, y.h - 2*dy, y.stride, y.p[dy*y.stride+dx:]}
	l := Look{Upright: fingerprint(y), Trimmed: fingerprint(trimmed)}
	// Four samples for each one of the grids': turning then costs next to
	// nothing and loses nothing.
	small := squeeze(y, 96, 96)
	for i := range l.Turned {
		l.Turned[i] = fingerprint(small.turn(i + 2))
	}
	return l
}
