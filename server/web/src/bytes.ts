/** Bytes backed by an ordinary buffer, as WebCrypto and IndexedDB take them. */
export type Bytes = Uint8Array<ArrayBuffer>;

/** A copy of any view as Bytes. */
export function bytes(from: ArrayLike<number> | ArrayBuffer): Bytes {
	return from instanceof ArrayBuffer ? new Uint8Array(from) : Uint8Array.from(from);
}

export function utf8(text: string): Bytes {
	return bytes(new TextEncoder().encode(text));
}

export function hex(data: Uint8Array): string {
	let s = "";
	for (const b of data) s += b.toString(16).padStart(2, "0");
	return s;
}

/** The error is a RangeError for text that is not pairs of hex digits. */
export function unhex(text: string): Bytes {
	if (!/^([0-9a-f]{2})*$/.test(text)) throw new RangeError("not hexadecimal");
	const out = new Uint8Array(text.length / 2);
	for (let i = 0; i < out.length; i++) out[i] = Number.parseInt(text.slice(2 * i, 2 * i + 2), 16);
	return out;
}

export function base64(data: Uint8Array): string {
	let s = "";
	for (let i = 0; i < data.length; i += 0x8000) s += String.fromCharCode(...data.subarray(i, i + 0x8000));
	return btoa(s);
}

/** The error is what atob throws for text that is not base64. */
export function unbase64(text: string): Bytes {
	const s = atob(text);
	const out = new Uint8Array(s.length);
	for (let i = 0; i < s.length; i++) out[i] = s.charCodeAt(i);
	return out;
}

export function join(...parts: Uint8Array[]): Bytes {
	const out = new Uint8Array(parts.reduce((n, p) => n + p.length, 0));
	let at = 0;
	for (const p of parts) {
		out.set(p, at);
		at += p.length;
	}
	return out;
}

export function same(a: Uint8Array, b: Uint8Array): boolean {
	return a.length === b.length && a.every((v, i) => v === b[i]);
}

export async function sha256(data: Bytes | ArrayBuffer): Promise<Bytes> {
	return new Uint8Array(await crypto.subtle.digest("SHA-256", data));
}
