package bag

import (
	"encoding/binary"
	"math"
)

// The archive is a ZIP (APPNOTE 6.3) in the one form that this file makes:
// entries stored one after the other from the first byte, sizes and CRC-32 in
// the local header (no data descriptors, which readers of a stream cannot
// follow in stored entries), names in UTF-8, one fixed time, no comments, the
// central directory in the same order, ZIP64 fields only where a number does
// not fit. Names, sizes and checksums determine every other byte, so a reader
// can make them again and compare.
const (
	localMagic     = 0x04034b50
	directoryMagic = 0x02014b50
	endMagic       = 0x06054b50
	end64Magic     = 0x06064b50
	locatorMagic   = 0x07064b50

	localSize     = 30
	directorySize = 46
	endSize       = 22
	end64Size     = 56
	locatorSize   = 20

	flagUTF8      = 1 << 11
	methodStored  = 0
	dosDate       = 1<<5 | 1  // 1 January 1980, the first day a ZIP can name
	madeBy        = 3<<8 | 45 // Unix, so that the mode below counts; version 4.5
	fileMode      = 0o100644 << 16
	versionPlain  = 20
	version64     = 45
	extra64       = 1 // id of the ZIP64 field
	none32        = math.MaxUint32
	none16        = math.MaxUint16
	maxNameInZIP  = 1200 // top folder, slash, path
	maxDirectory  = MaxFiles * (directorySize + 200)
	largestLength = math.MaxInt64 / 4 // keeps sums of hostile sizes from overflowing
)

// entry is one file as the archive holds it.
type entry struct {
	name   string // with the top folder
	size   int64
	crc    uint32
	offset int64 // of the local header
}

func (e entry) big() bool { return e.size >= none32 }

// contentOffset is where the file's bytes begin.
func (e entry) contentOffset() int64 {
	n := e.offset + localSize + int64(len(e.name))
	if e.big() {
		n += 4 + 16
	}
	return n
}

func (e entry) end() int64 { return e.contentOffset() + e.size }

func fit32(n int64) uint32 { return uint32(min(n, none32)) }
func fit16(n int) uint16   { return uint16(min(n, none16)) }

// appendLocal appends the header that stands before the file's bytes.
func (e entry) appendLocal(b []byte) []byte {
	le := binary.LittleEndian
	version, extra := uint16(versionPlain), uint16(0)
	if e.big() {
		version, extra = version64, 4+16
	}
	b = le.AppendUint32(b, localMagic)
	b = le.AppendUint16(b, version)
	b = le.AppendUint16(b, flagUTF8)
	b = le.AppendUint16(b, methodStored)
	b = le.AppendUint16(b, 0) // midnight
	b = le.AppendUint16(b, dosDate)
	b = le.AppendUint32(b, e.crc)
	b = le.AppendUint32(b, fit32(e.size)) // compressed: the same, nothing is
	b = le.AppendUint32(b, fit32(e.size))
	b = le.AppendUint16(b, uint16(len(e.name)))
	b = le.AppendUint16(b, extra)
	b = append(b, e.name...)
	if e.big() {
		b = le.AppendUint16(b, extra64)
		b = le.AppendUint16(b, 16)
		b = le.AppendUint64(b, uint64(e.size))
		b = le.AppendUint64(b, uint64(e.size))
	}
	return b
}

// appendDirectory appends the entry's record in the central directory.
func (e entry) appendDirectory(b []byte) []byte {
	le := binary.LittleEndian
	var extra []byte
	if e.big() {
		extra = le.AppendUint64(extra, uint64(e.size))
		extra = le.AppendUint64(extra, uint64(e.size))
	}
	if e.offset >= none32 {
		extra = le.AppendUint64(extra, uint64(e.offset))
	}
	version := uint16(versionPlain)
	if len(extra) > 0 {
		version = version64
		extra = append(le.AppendUint16(le.AppendUint16(nil, extra64), uint16(len(extra))), extra...)
	}
	b = le.AppendUint32(b, directoryMagic)
	b = le.AppendUint16(b, madeBy)
	b = le.AppendUint16(b, version)
	b = le.AppendUint16(b, flagUTF8)
	b = le.AppendUint16(b, methodStored)
	b = le.AppendUint16(b, 0)
	b = le.AppendUint16(b, dosDate)
	b = le.AppendUint32(b, e.crc)
	b = le.AppendUint32(b, fit32(e.size))
	b = le.AppendUint32(b, fit32(e.size))
	b = le.AppendUint16(b, uint16(len(e.name)))
	b = le.AppendUint16(b, uint16(len(extra)))
	b = le.AppendUint16(b, 0) // comment
	b = le.AppendUint16(b, 0) // disk
	b = le.AppendUint16(b, 0) // internal attributes: bytes, not text
	b = le.AppendUint32(b, fileMode)
	b = le.AppendUint32(b, fit32(e.offset))
	b = append(b, e.name...)
	return append(b, extra...)
}

// appendEnd appends what follows the central directory of count entries, which
// begins at offset and is size bytes long.
func appendEnd(b []byte, count int, offset, size int64) []byte {
	le := binary.LittleEndian
	if count >= none16 || offset >= none32 || size >= none32 {
		b = le.AppendUint32(b, end64Magic)
		b = le.AppendUint64(b, end64Size-12)
		b = le.AppendUint16(b, madeBy)
		b = le.AppendUint16(b, version64)
		b = le.AppendUint32(b, 0)
		b = le.AppendUint32(b, 0)
		b = le.AppendUint64(b, uint64(count))
		b = le.AppendUint64(b, uint64(count))
		b = le.AppendUint64(b, uint64(size))
		b = le.AppendUint64(b, uint64(offset))
		b = le.AppendUint32(b, locatorMagic)
		b = le.AppendUint32(b, 0)
		b = le.AppendUint64(b, uint64(offset+size))
		b = le.AppendUint32(b, 1)
	}
	b = le.AppendUint32(b, endMagic)
	b = le.AppendUint16(b, 0)
	b = le.AppendUint16(b, 0)
	b = le.AppendUint16(b, fit16(count))
	b = le.AppendUint16(b, fit16(count))
	b = le.AppendUint32(b, fit32(size))
	b = le.AppendUint32(b, fit32(offset))
	return le.AppendUint16(b, 0)
}
