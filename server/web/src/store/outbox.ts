import { create, toJsonString } from "@bufbuild/protobuf";
import { durationFromMs, timestampFromMs } from "@bufbuild/protobuf/wkt";
import { type Bytes, base64, bytes, sha256, utf8 } from "../bytes";
import { type Entry, EntrySchema } from "../gen/witnessmark/record/v1/entry_pb";
import { uuidv7 } from "../record/uuid";
import { offset } from "./clock";
import { type Chain, type Database, database, type EntryState, type StoredEntry, type StoredFile, write } from "./database";
import { type DeviceKey, deviceKey, sign } from "./keys";

/** What a screen says; the outbox adds id, device, times, counter and previous. */
export interface Statement {
	job: string;
	author: string;
	device: string;
	step?: string;
	climb?: string;
	confirmed?: boolean;
	kind: Exclude<Entry["kind"], { case: undefined }>;
}

export interface Options {
	/** A file that this entry names: both are written in one transaction. */
	file?: string;
	now?: number;
	key?: DeviceKey | undefined;
	on?: Promise<Database>;
	id?: string;
}

// One append after another: the chain allows no two at once. Other tabs cannot
// write, see lock.ts; the check inside the transaction holds in any case.
let tail: Promise<unknown> = Promise.resolve();

/**
 * Makes an entry and stores it. When it returns, the entry is committed on the
 * disk. The error is the transaction's, such as QuotaExceededError: then
 * nothing was stored.
 */
export function append(statement: Statement, options: Options = {}): Promise<StoredEntry> {
	const run = tail.then(() => appendNow(statement, options));
	tail = run.catch(() => undefined); // the caller of this append gets its error; the next one goes on
	return run;
}

async function appendNow(statement: Statement, options: Options): Promise<StoredEntry> {
	const on = options.on ?? database();
	const key = options.key ?? (await deviceKey(on));
	for (let attempt = 0; ; attempt++) {
		const chainKey = `${statement.job} ${statement.device}`;
		const chain = (await (await on).get("chains", chainKey)) ?? { key: chainKey, counter: 0, digest: bytes([]) };
		const stored = await makeEntry(statement, chain, options.now ?? Date.now(), key, options.id);
		const moved = await write(
			["entries", "chains", "files"],
			async (tx) => {
				const now = (await tx.objectStore("chains").get(chainKey)) ?? chain;
				if (now.counter !== chain.counter) return true;
				await tx.objectStore("entries").add(stored);
				await tx.objectStore("chains").put({ key: chainKey, counter: stored.counter, digest: stored.digest });
				if (options.file) {
					const file = await tx.objectStore("files").get(options.file);
					if (!file) throw new Error("the file of this entry is gone");
					await tx.objectStore("files").put({ ...file, entry: stored.id });
				}
				return false;
			},
			on,
		);
		if (!moved) return stored;
		if (attempt > 20) throw new Error("the chain of this phone moves all the time");
	}
}

/** Makes payload, digest and signature for the next place in a chain. */
export async function makeEntry(
	s: Statement,
	chain: Chain,
	now: number,
	key: DeviceKey | undefined,
	id = uuidv7(now),
): Promise<StoredEntry> {
	const off = offset(now);
	const entry = create(EntrySchema, {
		id,
		job: s.job,
		step: s.step ?? "",
		climb: s.climb ?? "",
		author: s.author,
		device: s.device,
		deviceTime: timestampFromMs(now),
		clockOffset: off === undefined ? undefined : durationFromMs(off),
		counter: BigInt(chain.counter + 1),
		previous: chain.counter === 0 ? bytes([]) : chain.digest,
		confirmedValue: s.confirmed ?? false,
		kind: s.kind,
	});
	const payload = utf8(toJsonString(EntrySchema, entry));
	return {
		id,
		job: s.job,
		device: s.device,
		counter: chain.counter + 1,
		step: s.step ?? "",
		kind: s.kind.case,
		payload,
		digest: await sha256(payload),
		signature: key && s.device ? await sign(key, payload) : bytes([]),
		keyId: key && s.device ? key.id : "",
		state: "here",
		made: now,
		seq: 0,
		reason: "",
		sentence: "",
		permanent: false,
		keptAside: false,
		assessment: bytes([]),
		notBefore: 0,
	};
}

/** Sets where the chain goes on, when the server knows more of it than this phone (its data were lost). */
export async function continueChain(job: string, device: string, counter: number, digest: Bytes, on = database()): Promise<void> {
	const key = `${job} ${device}`;
	await write(
		["chains"],
		async (tx) => {
			const have = await tx.objectStore("chains").get(key);
			if (!have || have.counter < counter) await tx.objectStore("chains").put({ key, counter, digest });
		},
		on,
	);
}

const order = (a: StoredEntry, b: StoredEntry) =>
	a.job < b.job ? -1 : a.job > b.job ? 1 : a.device < b.device ? -1 : a.device > b.device ? 1 : a.counter - b.counter;

/** The entries in one state, each device's in the order of its chain. */
export async function entriesIn(state: EntryState, on = database()): Promise<StoredEntry[]> {
	return (await (await on).getAllFromIndex("entries", "state", state)).sort(order);
}

export async function entriesOf(job: string, on = database()): Promise<StoredEntry[]> {
	return (await (await on).getAllFromIndex("entries", "job", job)).sort(order);
}

/** Changes what is known of an entry; its payload and signature never change. */
export async function note(
	id: string,
	change: Partial<Omit<StoredEntry, "id" | "payload" | "digest" | "signature">>,
	on = database(),
): Promise<void> {
	await write(
		["entries"],
		async (tx) => {
			const have = await tx.objectStore("entries").get(id);
			if (have) await tx.objectStore("entries").put({ ...have, ...change });
		},
		on,
	);
}

/** How much stands only on this phone. */
export interface Unsent {
	entries: number;
	files: number;
	refused: number;
}

export async function unsent(on = database()): Promise<Unsent> {
	const db = await on;
	const [entries, files, refusedEntries, refusedFiles] = await Promise.all([
		db.countFromIndex("entries", "state", "here"),
		db.getAllFromIndex("files", "state", "here"),
		db.getAllFromIndex("entries", "state", "refused"),
		db.countFromIndex("files", "state", "refused"),
	]);
	return {
		entries,
		files: files.filter((f) => f.entry !== "").length,
		// Refused and kept by the server too: it stands no longer only here.
		refused: refusedEntries.filter((e) => !e.keptAside).length + refusedFiles,
	};
}

/**
 * Unsent work as a file: one JSON object a line. A line with `payload` is an
 * entry with its signature, and can be sent as it is by any client; a line with
 * `file` carries the bytes of a photo or trace. 'witnessmark submit' reads it too.
 */
export interface EntryLine {
	id: string;
	job: string;
	device: string;
	counter: number;
	step: string;
	kind: string;
	made: number;
	payload: string;
	signature: string;
	keyId: string;
}
export interface FileLine {
	file: Pick<StoredFile, "digest" | "job" | "step" | "entry" | "subject" | "purpose" | "mediaType" | "size" | "made">;
	/** Empty where the phone has lost them. */
	bytes: string;
}

/** The lines of all unsent and refused work, each with its line end. A file whose bytes cannot be read holds up no other. */
export async function exportUnsent(fileBytes: (f: StoredFile) => Promise<Bytes>, on = database()): Promise<string[]> {
	const db = await on;
	const entries = [...(await entriesIn("here", on)), ...(await entriesIn("refused", on))];
	const files = [...(await db.getAllFromIndex("files", "state", "here")), ...(await db.getAllFromIndex("files", "state", "refused"))];
	const out: string[] = [];
	for (const { id, job, device, counter, step, kind, made, payload, signature, keyId } of entries) {
		const line: EntryLine = { id, job, device, counter, step, kind, made, payload: base64(payload), signature: base64(signature), keyId };
		out.push(`${JSON.stringify(line)}\n`);
	}
	for (const f of files.filter((x) => x.entry !== "")) {
		const { digest, job, step, entry, subject, purpose, mediaType, size, made } = f;
		const line: FileLine = {
			file: { digest, job, step, entry, subject, purpose, mediaType, size, made },
			bytes: base64(await fileBytes(f).catch(() => bytes([]))), // whoever reads it sees by the digest that they are gone
		};
		out.push(`${JSON.stringify(line)}\n`);
	}
	return out;
}

/** Reads such a file. The error names the line. */
export function readExported(text: string): (EntryLine | FileLine)[] {
	const out: (EntryLine | FileLine)[] = [];
	for (const [i, line] of text.split("\n").entries()) {
		if (line.trim() === "") continue;
		let x: Partial<EntryLine & FileLine>;
		try {
			x = JSON.parse(line);
		} catch {
			throw new Error(`line ${i + 1} is not JSON`);
		}
		if (typeof x?.payload === "string" && typeof x.id === "string" && typeof x.job === "string") out.push(x as EntryLine);
		else if (typeof x?.bytes === "string" && typeof x.file?.digest === "string" && typeof x.file.job === "string") out.push(x as FileLine);
		else throw new Error(`line ${i + 1} is neither an entry nor a file`);
	}
	if (out.length === 0) throw new Error("it is empty");
	return out;
}
