import { type Bytes, bytes, hex, join, sha256 } from "../bytes";
import { database, type StoredFile, write } from "./database";

/** Bytes of one piece in the database: small enough that one write never holds a whole photo. */
export const PIECE = 1 << 20;

/** Largest photo and trace that the server takes. */
export const MOST_PHOTO = 32 << 20;
export const MOST_TRACE = 8 << 20;

export interface NewFile {
	job: string;
	step: string;
	subject: string;
	purpose: "photo" | "trace";
	mediaType: string;
	small?: Bytes;
}

/**
 * Stores bytes exactly as they came, in pieces under their digest, reads them
 * back and compares. Committed when it returns. The error is the transaction's,
 * such as QuotaExceededError; then nothing is left behind.
 */
export async function storeFile(content: Bytes, about: NewFile, on = database()): Promise<StoredFile> {
	const digest = hex(await sha256(content));
	const known = await (await on).get("files", digest);
	if (known && (known.entry !== "" || known.step === about.step)) return known;
	const count = Math.max(1, Math.ceil(content.length / PIECE));
	const file: StoredFile = {
		...about,
		small: about.small ?? bytes([]),
		digest,
		entry: "",
		size: content.length,
		pieces: count,
		made: Date.now(),
		state: "here",
		upload: "",
		offset: 0,
		reason: "",
		sentence: "",
		notBefore: 0,
	};
	await write(
		["files", "pieces"],
		async (tx) => {
			for (let i = 0; i < count; i++) {
				await tx.objectStore("pieces").put(content.slice(i * PIECE, (i + 1) * PIECE).buffer, pieceKey(digest, i));
			}
			await tx.objectStore("files").put(file);
		},
		on,
	);
	if (!(await intact(file, on))) throw new Error("the phone did not keep these bytes as they were");
	return file;
}

const pieceKey = (digest: string, i: number) => `${digest}/${String(i).padStart(4, "0")}`;

/** The bytes of a stored file. The error says that pieces are missing. */
export async function fileBytes(file: StoredFile, on = database()): Promise<Bytes> {
	const parts: Bytes[] = [];
	for (let i = 0; i < file.pieces; i++) parts.push(await piece(file, i, on));
	return join(...parts);
}

/** `length` bytes from an offset on; reads only the pieces that hold them. */
export async function fileSlice(file: StoredFile, from: number, length: number, on = database()): Promise<Bytes> {
	const to = Math.min(file.size, from + length);
	const parts: Bytes[] = [];
	for (let i = Math.floor(from / PIECE); i * PIECE < to; i++) {
		const p = await piece(file, i, on);
		parts.push(p.subarray(Math.max(0, from - i * PIECE), Math.min(p.length, to - i * PIECE)));
	}
	return join(...parts);
}

async function piece(file: StoredFile, i: number, on: ReturnType<typeof database>): Promise<Bytes> {
	const part = await (await on).get("pieces", pieceKey(file.digest, i));
	if (!part) throw new Error(`piece ${i + 1} of ${file.pieces} is missing`);
	return new Uint8Array(part);
}

/** The stored bytes still have their digest. */
export async function intact(file: StoredFile, on = database()): Promise<boolean> {
	try {
		return hex(await sha256(await fileBytes(file, on))) === file.digest;
	} catch {
		return false;
	}
}

export async function noteFile(digest: string, change: Partial<Omit<StoredFile, "digest" | "size">>, on = database()): Promise<void> {
	await write(
		["files"],
		async (tx) => {
			const have = await tx.objectStore("files").get(digest);
			if (have) await tx.objectStore("files").put({ ...have, ...change });
		},
		on,
	);
}

/** Removes the bytes of a file that the server has said, naming the digest, that it keeps. The record of it stays. */
export async function release(digest: string, receipt: Uint8Array, on = database()): Promise<void> {
	if (hex(receipt) !== digest) throw new Error("the receipt names another digest");
	await write(
		["files", "pieces"],
		async (tx) => {
			const have = await tx.objectStore("files").get(digest);
			if (!have) return;
			for (let i = 0; i < have.pieces; i++) await tx.objectStore("pieces").delete(pieceKey(digest, i));
			await tx.objectStore("files").put({ ...have, state: "sent", offset: have.size });
		},
		on,
	);
}

/** Removes a file that no entry names: a picture that was taken again. */
export async function discard(digest: string, on = database()): Promise<void> {
	await write(
		["files", "pieces"],
		async (tx) => {
			const have = await tx.objectStore("files").get(digest);
			if (have?.entry !== "") return;
			for (let i = 0; i < have.pieces; i++) await tx.objectStore("pieces").delete(pieceKey(digest, i));
			await tx.objectStore("files").delete(digest);
		},
		on,
	);
}

export async function filesOf(job: string, on = database()): Promise<StoredFile[]> {
	return (await (await on).getAllFromIndex("files", "job", job)).sort((a, b) => a.made - b.made);
}

/** Media type from the bytes, never from the name. */
export function sniff(content: Uint8Array): string {
	const ascii = (at: number, n: number) => String.fromCharCode(...content.subarray(at, at + n));
	if (content[0] === 0xff && content[1] === 0xd8 && content[2] === 0xff) return "image/jpeg";
	if (content[0] === 0x89 && ascii(1, 3) === "PNG") return "image/png";
	if (ascii(0, 4) === "RIFF" && ascii(8, 4) === "WEBP") return "image/webp";
	if (ascii(4, 4) === "ftyp" && /^(heic|heix|mif1|msf1|hevc|avif)/.test(ascii(8, 4)))
		return ascii(8, 4) === "avif" ? "image/avif" : "image/heic";
	return "application/octet-stream";
}
