package photo

// Hard bounds, checked on the header before anything is decoded.
const (
	// MaxBytes is the largest photo, in bytes, that Examine takes.
	MaxBytes = 32 << 20
	// MaxPixels is the largest width times height that counts as a photo.
	MaxPixels = 64_000_000
	// MaxExaminedBaseline is the largest width times height of a baseline JPEG
	// that is decoded.
	MaxExaminedBaseline = 50_000_000
	// MaxExaminedOther is the same for a progressive JPEG, whose coefficients
	// all stay in memory until its last scan, and for PNG and WebP, which need
	// up to eight bytes for each pixel.
	MaxExaminedOther = 16_000_000
	// MaxMemory is the largest estimated memory, in bytes, of a picture that is
	// decoded. It stops rare kinds (four colour channels, sixteen bits) that fit
	// the bounds in pixels and still would need several times the usual memory.
	MaxMemory = 384 << 20
	// maxScans bounds a JPEG's scans. Ten are usual in a progressive picture;
	// each costs a walk over the whole picture however few bytes it has, so that
	// a small file with a million scans would keep a processor busy for hours.
	maxScans = 64
	// maxSide is the largest side that a JPEG can state.
	maxSide = 65_535
)

// LargeSide and SmallSide are the longer sides, in pixels, of the two derived
// views; a smaller picture keeps its own size.
const (
	LargeSide = 1280
	SmallSide = 320
)
