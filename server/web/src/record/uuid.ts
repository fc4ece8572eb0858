/** A UUIDv7 (RFC 9562, section 5.7) for a moment in milliseconds. Its time is for locality only: nothing is ordered by it. */
export function uuidv7(now: number = Date.now()): string {
	const b = crypto.getRandomValues(new Uint8Array(16));
	let t = Math.max(0, Math.floor(now));
	for (let i = 5; i >= 0; i--) {
		b[i] = t % 256;
		t = Math.floor(t / 256);
	}
	b[6] = 0x70 | (b[6]! & 0x0f);
	b[8] = 0x80 | (b[8]! & 0x3f);
	const h = Array.from(b, (v) => v.toString(16).padStart(2, "0")).join("");
	return `${h.slice(0, 8)}-${h.slice(8, 12)}-${h.slice(12, 16)}-${h.slice(16, 20)}-${h.slice(20)}`;
}
