import { toBinary } from "@bufbuild/protobuf";
import { timestampMs } from "@bufbuild/protobuf/wkt";
import { ConnectError } from "@connectrpc/connect";
import { bytes, hex, same, sha256, unhex } from "../bytes";
import { AssessmentSchema } from "../gen/witnessmark/record/v1/line_pb";
import { BeginUploadRequest_Purpose as Purpose, type Upload, Upload_State as UploadState } from "../gen/witnessmark/v1/evidence_pb";
import { type EntryResult, EntryResult_Outcome as Result } from "../gen/witnessmark/v1/jobs_pb";
import { measured } from "../store/clock";
import { type Database, database, type StoredEntry, type StoredFile } from "../store/database";
import { fileSlice, intact, noteFile, release } from "../store/files";
import { entriesIn, note } from "../store/outbox";
import type { Server } from "./client";
import { backoff, type Outcome, outcomeOf, reasonOf } from "./outcome";

/** Version of this client's side of the protocol. */
export const PROTOCOL = 1;

const BATCH = 100;
const BATCH_BYTES = 2 << 20;
export const CHUNK = 256 << 10;
const DENIED_WAIT = 10 * 60_000;
/** No wait is longer than this. A later moment was noted while the clock was ahead, and counts no more. */
const LONGEST_WAIT = 15 * 60_000;
/** Smallest piece of a photo on a line that is too slow for more within a call's deadline. */
const LEAST_CHUNK = 16 << 10;

export type Phase = "idle" | "sending" | "waiting" | "signed-out";

/** What the screens show of the sending. */
export interface Progress {
	phase: Phase;
	/** Bytes of the photo that is on its way. */
	sent: number;
	size: number;
	/** Why it waits, in the words of the failed call; empty otherwise. */
	why: string;
	/** When the server last answered, device's clock; 0: never in this session. */
	contact: number;
}

export interface Hooks {
	/** The progress changed. */
	progress(p: Progress): void;
	/** What is stored changed: entries or files of these jobs. */
	changed(jobs: string[]): void;
	/** The person's own code for an acknowledgement, known in this session only. */
	code?(entry: string): string;
}

/**
 * Sends what stands only on this phone: entries first, then files. It runs while
 * the page is open; one at a time; every step of it can be cut off at any point
 * and done again, because the server knows what it has.
 */
export class Engine {
	private running: Promise<void> | undefined;
	private again = false;
	private attempt = 0;
	private chunk = CHUNK;
	private most = BATCH;
	private timer: ReturnType<typeof setTimeout> | undefined;
	private stopped = false;
	private state: Progress = { phase: "idle", sent: 0, size: 0, why: "", contact: 0 };

	constructor(
		private readonly server: Server,
		private readonly hooks: Hooks,
		private readonly on: () => Promise<Database> = () => database(),
		private readonly now: () => number = Date.now,
	) {}

	/** Sends as soon as it can; called after each entry, when coverage returns, and when the page comes to the front. */
	kick(): void {
		if (this.stopped) return;
		clearTimeout(this.timer);
		if (this.running) {
			this.again = true;
			return;
		}
		this.running = this.run().finally(() => {
			this.running = undefined;
			if (this.again) {
				this.again = false;
				this.kick();
			}
		});
	}

	/** Signed in again: goes on. */
	resume(): void {
		this.attempt = 0;
		this.set({ phase: "idle", why: "" });
		this.kick();
	}

	stop(): void {
		this.stopped = true;
		clearTimeout(this.timer);
	}

	/** Waits until nothing is under way; for tests. */
	async settled(): Promise<void> {
		while (this.running) await this.running;
	}

	/** The server answered. */
	contact(): void {
		this.set({ contact: this.now() });
	}

	private set(change: Partial<Progress>): void {
		this.state = { ...this.state, ...change };
		this.hooks.progress(this.state);
	}

	private async run(): Promise<void> {
		let later: unknown;
		let wait = Number.POSITIVE_INFINITY;
		try {
			const entries = await this.entries();
			const files = await this.files();
			later = entries.later ?? files.later;
			wait = Math.min(entries.wait, files.wait);
		} catch (error) {
			if (outcomeOf(error) === "sign-in") {
				this.set({ phase: "signed-out", why: words(error), sent: 0, size: 0 });
				return;
			}
			later = error;
		}
		if (later !== undefined) {
			wait = backoff(this.attempt++);
			this.set({ phase: "waiting", why: words(later), sent: 0, size: 0 });
		} else {
			this.attempt = 0;
			this.set({ phase: Number.isFinite(wait) ? "waiting" : "idle", why: "", sent: 0, size: 0 });
		}
		if (Number.isFinite(wait) && !this.stopped) this.timer = setTimeout(() => this.kick(), Math.max(250, wait));
	}

	// --- entries

	private async entries(): Promise<{ later?: unknown; wait: number }> {
		const all = await entriesIn("here", this.on());
		const due = all.filter((e) => this.left(e) === 0);
		const wait = Math.min(Number.POSITIVE_INFINITY, ...all.map((e) => this.left(e)).filter((ms) => ms > 0));
		let later: unknown;
		for (const batch of batches(due, this.most)) {
			this.set({ phase: "sending", why: "" });
			const failed = await this.submit(batch, all.filter((e) => e.job === batch[0]!.job).length - batch.length);
			if (failed !== undefined) {
				later = failed;
				this.most = Math.max(1, Math.floor(this.most / 2)); // a slow line takes less at once
				break;
			}
			this.most = Math.min(BATCH, this.most * 2);
		}
		return { later, wait };
	}

	/** How long something must wait still, milliseconds. */
	private left(x: { notBefore: number }): number {
		const ms = x.notBefore - this.now();
		return ms > 0 && ms <= LONGEST_WAIT ? ms : 0;
	}

	/** Sends one batch; a batch that the server cannot read at all is cut in halves until the one bad entry stands alone. */
	private async submit(batch: StoredEntry[], left: number): Promise<unknown> {
		const good: StoredEntry[] = [];
		for (const e of batch) {
			if (same(await sha256(e.payload), e.digest)) good.push(e);
			else
				await note(
					e.id,
					{ state: "refused", permanent: true, reason: "DAMAGED", sentence: "The stored bytes are not those that were signed." },
					this.on(),
				);
		}
		if (good.length === 0) return undefined;
		const job = good[0]!.job;
		const before = this.now();
		try {
			const answer = await this.server.jobs.submitEntries({
				job,
				entries: good.map((e) => ({
					payload: e.payload,
					signature: e.signature,
					keyId: e.signature.length ? e.keyId : "",
					code: this.hooks.code?.(e.id) ?? "",
				})),
				unsentCount: BigInt(Math.max(0, left) + (await this.unsentFiles(job))),
				clientProtocol: PROTOCOL,
			});
			if (answer.serverTime) measured(timestampMs(answer.serverTime), before, this.now());
			this.contact();
			const byDigest = new Map(answer.results.map((r) => [hex(r.payloadDigest), r]));
			let silent = 0;
			for (const [i, e] of good.entries()) {
				const r = byDigest.get(hex(e.digest)) ?? (answer.results[i]?.id === e.id ? answer.results[i] : undefined);
				if (!r || r.outcome === Result.OUTCOME_UNSPECIFIED) silent++;
				await this.result(e, r);
			}
			this.hooks.changed([job]);
			// Who answers without a word on an entry is not the server, or not whole: that entry goes again.
			return silent > 0 ? new Error("the answer does not name each entry") : undefined;
		} catch (error) {
			const outcome: Outcome = outcomeOf(error);
			if (outcome === "sign-in") throw error;
			if (outcome === "later") return error;
			if (outcome === "denied") {
				for (const e of good)
					await note(e.id, { reason: reasonOf(error) || "DENIED", sentence: words(error), notBefore: this.now() + DENIED_WAIT }, this.on());
				this.hooks.changed([job]);
				return undefined;
			}
			if (good.length > 1) {
				const half = Math.ceil(good.length / 2);
				return (await this.submit(good.slice(0, half), left + good.length - half)) ?? (await this.submit(good.slice(half), left));
			}
			await note(
				good[0]!.id,
				{ state: "refused", permanent: true, reason: reasonOf(error) || "NOT_TAKEN", sentence: words(error) },
				this.on(),
			);
			this.hooks.changed([job]);
			return undefined;
		}
	}

	private async result(e: StoredEntry, r: EntryResult | undefined): Promise<void> {
		if (!r) return; // without an answer of its own it is sent again
		const assessment = r.assessment ? bytes(toBinary(AssessmentSchema, r.assessment)) : bytes([]);
		const common = {
			seq: Number(r.seq),
			assessment,
			reason: r.reason,
			sentence: r.sentence,
			permanent: r.permanent,
			keptAside: r.keptAside,
		};
		switch (r.outcome) {
			case Result.ACCEPTED:
			case Result.ALREADY_KNOWN:
				await note(e.id, { ...common, state: "sent" }, this.on());
				break;
			case Result.ADDENDUM:
				await note(e.id, { ...common, state: "late" }, this.on());
				break;
			case Result.REFUSED:
				// Not for ever: it waits here and goes again, the others do not wait for it.
				if (r.permanent) await note(e.id, { ...common, state: "refused" }, this.on());
				else await note(e.id, { ...common, notBefore: this.now() + 30_000 + backoff(4) }, this.on());
				break;
			default:
				break;
		}
	}

	private async unsentFiles(job: string): Promise<number> {
		const here = await (await this.on()).getAllFromIndex("files", "state", "here");
		return here.filter((f) => f.job === job && f.entry !== "").length;
	}

	// --- files

	private async files(): Promise<{ later?: unknown; wait: number }> {
		const here = await (await this.on()).getAllFromIndex("files", "state", "here");
		const named = here.filter((f) => f.entry !== "").sort((a, b) => a.made - b.made);
		let wait = Number.POSITIVE_INFINITY;
		for (const f of named) {
			const left = this.left(f);
			if (left > 0) {
				wait = Math.min(wait, left);
				continue;
			}
			// Entries that came up meanwhile go first: they are small.
			if (this.again) return { wait: 0 };
			this.set({ phase: "sending", why: "", sent: f.offset, size: f.size });
			const failed = await this.upload(f);
			if (failed !== undefined) return { later: failed, wait };
		}
		return { wait };
	}

	private async upload(f: StoredFile): Promise<unknown> {
		if (!(await intact(f, this.on()))) {
			await noteFile(
				f.digest,
				{ state: "refused", reason: "DAMAGED", sentence: "The stored bytes are not those that were taken." },
				this.on(),
			);
			this.hooks.changed([f.job]);
			return undefined;
		}
		let begun = false;
		try {
			let u: Upload = await this.server.uploads.beginUpload({
				job: f.job,
				size: BigInt(f.size),
				digest: unhex(f.digest),
				purpose: f.purpose === "trace" ? Purpose.TRACE : Purpose.PHOTO,
				entry: f.entry,
			});
			this.contact();
			begun = true;
			let still = 0;
			while (u.state === UploadState.RECEIVING && Number(u.offset) < f.size) {
				const from = Number(u.offset);
				const chunk = await fileSlice(f, from, this.chunk, this.on());
				const next = await this.server.uploads.uploadChunk({ name: u.name, offset: u.offset, chunk });
				// The answer says how far the server has got; when it does not move, something else is wrong.
				still = Number(next.offset) > from ? 0 : still + 1;
				if (still > 3) throw new Error("the upload does not move on");
				u = next;
				this.chunk = Math.min(CHUNK, this.chunk * 2);
				this.contact();
				await noteFile(f.digest, { upload: u.name, offset: Number(u.offset) }, this.on());
				this.set({ phase: "sending", sent: Number(u.offset), size: f.size });
			}
			if (u.state === UploadState.RECEIVING) u = await this.server.uploads.finishUpload({ name: u.name });
			this.contact();
			if (u.state === UploadState.STORED) {
				await release(f.digest, u.digest, this.on());
				this.hooks.changed([f.job]);
				return undefined;
			}
			// The server got other bytes; ours were just checked. Begin again under a new id, a little later.
			await noteFile(f.digest, { upload: "", offset: 0, notBefore: this.now() + 5_000 + backoff(2) }, this.on());
			return undefined;
		} catch (error) {
			const outcome = outcomeOf(error);
			if (outcome === "sign-in") throw error;
			if (outcome === "later") {
				if (begun) this.chunk = Math.max(LEAST_CHUNK, this.chunk / 2); // on a slow line less fits into a call's deadline
				return error;
			}
			if (outcome === "denied") {
				await noteFile(
					f.digest,
					{ reason: reasonOf(error) || "DENIED", sentence: words(error), notBefore: this.now() + DENIED_WAIT },
					this.on(),
				);
				this.hooks.changed([f.job]);
				return undefined;
			}
			// An upload that ended meanwhile begins again; anything else needs a person.
			if (begun || (f.upload && f.offset > 0)) {
				await noteFile(f.digest, { upload: "", offset: 0, notBefore: this.now() + 5_000 }, this.on());
				return undefined;
			}
			await noteFile(f.digest, { state: "refused", reason: reasonOf(error) || "NOT_TAKEN", sentence: words(error) }, this.on());
			this.hooks.changed([f.job]);
			return undefined;
		}
	}
}

function words(error: unknown): string {
	if (error instanceof ConnectError) return error.rawMessage;
	return error instanceof Error ? error.message : String(error);
}

/** Batches of one job each, bounded by number and bytes, in the order of the chains. */
export function batches(entries: StoredEntry[], most = BATCH): StoredEntry[][] {
	const out: StoredEntry[][] = [];
	let size = 0;
	for (const e of entries) {
		const last = out.at(-1);
		if (!last || last[0]!.job !== e.job || last.length >= most || size + e.payload.length > BATCH_BYTES) {
			out.push([e]);
			size = e.payload.length;
		} else {
			last.push(e);
			size += e.payload.length;
		}
	}
	return out;
}
