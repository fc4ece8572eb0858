import { type DBSchema, type IDBPDatabase, type IDBPTransaction, openDB } from "idb";
import type { Bytes } from "../bytes";

/** How one entry stands on this phone. */
export type EntryState =
	| "here" // only on this phone
	| "sent" // the server has it as a line
	| "late" // the server has it as an addendum
	| "refused"; // the server did not take it; kept here

/** An entry as this phone made it: the payload's bytes are made once and never again. */
export interface StoredEntry {
	id: string;
	job: string;
	device: string;
	counter: number;
	step: string;
	/** Name of the kind's field, such as "torqueApplied". */
	kind: string;
	payload: Bytes;
	/** SHA-256 of the payload. */
	digest: Bytes;
	/** 64 bytes, r and s; empty when no key could be had. */
	signature: Bytes;
	keyId: string;
	state: EntryState;
	/** Device's clock when it was made. */
	made: number;
	seq: number;
	/** Why it was refused: reason and sentence; whether it may be sent again. */
	reason: string;
	sentence: string;
	permanent: boolean;
	keptAside: boolean;
	/** Assessment of the server, binary; empty before. */
	assessment: Bytes;
	/** Not before this moment again, device's clock. */
	notBefore: number;
}

export type FileState = "here" | "sent" | "refused";

/** A photo or trace: its pieces stand in another store and go after a receipt that names the digest. */
export interface StoredFile {
	/** SHA-256, hex. */
	digest: string;
	job: string;
	step: string;
	entry: string;
	subject: string;
	purpose: "photo" | "trace";
	mediaType: string;
	size: number;
	pieces: number;
	made: number;
	state: FileState;
	upload: string;
	offset: number;
	reason: string;
	sentence: string;
	/** A small JPEG for the screen only; may be empty. */
	small: Bytes;
	notBefore: number;
}

/** A job as it was last had from the server, in binary messages. */
export interface StoredJob {
	name: string;
	job: Bytes;
	view: Bytes;
	/** Pages of ListStepsResponse. */
	steps: Bytes[];
	/** Lines that this was computed from. */
	size: number;
	/** Server's clock when it was had. */
	asOf: number;
	/** Everything is on the phone for work without coverage. */
	taken: boolean;
}

/** The end of this device's chain in a job. */
export interface Chain {
	/** job + " " + device */
	key: string;
	counter: number;
	digest: Bytes;
}

interface Schema extends DBSchema {
	kept: { key: string; value: unknown };
	jobs: { key: string; value: StoredJob };
	entries: { key: string; value: StoredEntry; indexes: { job: string; state: EntryState } };
	chains: { key: string; value: Chain };
	files: { key: string; value: StoredFile; indexes: { job: string; state: FileState } };
	/** Key: digest + "/" + number of the piece. */
	pieces: { key: string; value: ArrayBuffer };
}

export type Database = IDBPDatabase<Schema>;
type StoreName = "kept" | "jobs" | "entries" | "chains" | "files" | "pieces";

/** Only ever grows: a phone may carry old data for weeks. */
const VERSION = 1;
const NAME = "witnessmark";

export function openDatabase(name: string = NAME, onLost?: () => void): Promise<Database> {
	return openDB<Schema>(name, VERSION, {
		upgrade(db, from) {
			if (from < 1) {
				db.createObjectStore("kept");
				db.createObjectStore("jobs", { keyPath: "name" });
				const entries = db.createObjectStore("entries", { keyPath: "id" });
				entries.createIndex("job", "job");
				entries.createIndex("state", "state");
				db.createObjectStore("chains", { keyPath: "key" });
				const files = db.createObjectStore("files", { keyPath: "digest" });
				files.createIndex("job", "job");
				files.createIndex("state", "state");
				db.createObjectStore("pieces");
			}
		},
		terminated: () => onLost?.(),
		blocking: (_now, _next, event) => (event.target as IDBDatabase).close(),
	});
}

let current: Promise<Database> | undefined;

/** The phone's database, opened once and again after the browser lost it. */
export function database(): Promise<Database> {
	current ??= openDatabase(NAME, () => {
		current = undefined;
	}).catch((error) => {
		current = undefined;
		throw error;
	});
	return current;
}

export type Write<N extends StoreName> = IDBPTransaction<Schema, N[], "readwrite">;

/** A write that is on the disk when it returns. The error is the transaction's, such as QuotaExceededError. */
export async function write<N extends StoreName, T>(
	names: N[],
	work: (tx: Write<N>) => Promise<T>,
	on: Database | Promise<Database> = database(),
): Promise<T> {
	const tx = (await on).transaction(names, "readwrite", { durability: "strict" });
	// The transaction's own error is the one that counts; it is awaited in both branches.
	const done = tx.done.then(
		() => undefined,
		(error: unknown) => error ?? new Error("the write was given up"),
	);
	let result: T;
	try {
		result = await work(tx);
	} catch (error) {
		try {
			tx.abort();
		} catch {
			// it has ended already
		}
		await done;
		throw tx.error ?? error;
	}
	const failed = await done;
	if (failed) throw failed;
	return result;
}

export async function kept<T>(key: string): Promise<T | undefined> {
	return (await (await database()).get("kept", key)) as T | undefined;
}

export async function keep(key: string, value: unknown): Promise<void> {
	const db = await database();
	const tx = db.transaction("kept", "readwrite", { durability: "strict" });
	await Promise.all([value === undefined ? tx.store.delete(key) : tx.store.put(value, key), tx.done]);
}
