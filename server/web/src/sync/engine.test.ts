import { create } from "@bufbuild/protobuf";
import { timestampFromMs } from "@bufbuild/protobuf/wkt";
import { Code, ConnectError } from "@connectrpc/connect";
import { beforeEach, describe, expect, it, vi } from "vitest";
import { type Bytes, bytes, hex, join, sha256, utf8 } from "../bytes";
import { type BeginUploadRequest_Purpose, UploadSchema, Upload_State as UploadState } from "../gen/witnessmark/v1/evidence_pb";
import { EntryResultSchema, EntryResult_Outcome as Result, SubmitEntriesResponseSchema } from "../gen/witnessmark/v1/jobs_pb";
import { type Database, openDatabase } from "../store/database";
import { fileBytes, PIECE, storeFile } from "../store/files";
import { append, entriesIn, entriesOf, unsent } from "../store/outbox";
import type { Server } from "./client";
import { batches, Engine, type Progress } from "./engine";
import { backoff, outcomeOf } from "./outcome";

let on: Promise<Database>;
let n = 0;
beforeEach(() => {
	on = openDatabase(`engine-${++n}`);
});

const say = (text: string, job = "jobs/one", options: object = {}) =>
	append(
		{ job, author: "people/p1", device: "devices/d1", kind: { case: "note", value: { $typeName: "witnessmark.record.v1.Note", text } } },
		{ on, ...options },
	);

/** A server that keeps what it is sent, with faults by call. */
class Memory {
	readonly entries: { job: string; text: string }[] = [];
	readonly files = new Map<string, Bytes>();
	readonly unsentCounts: bigint[] = [];
	readonly calls: string[] = [];
	fault: (call: string, n: number, text: string) => unknown = () => undefined;
	outcome: (text: string) => Partial<{ outcome: Result; permanent: boolean; reason: string; sentence: string; keptAside: boolean }> =
		() => ({});
	receipt: (digest: Bytes) => Bytes = (d) => d;
	private uploads = new Map<string, { size: number; digest: Bytes; got: Bytes }>();
	private counts = new Map<string, number>();

	private hit(call: string, text = ""): void {
		const k = (this.counts.get(call) ?? 0) + 1;
		this.counts.set(call, k);
		this.calls.push(call);
		const f = this.fault(call, k, text);
		if (f) throw f;
	}

	server(): Server {
		const upload = (name: string, state = UploadState.RECEIVING) => {
			const u = this.uploads.get(name)!;
			return create(UploadSchema, { name, size: BigInt(u.size), digest: this.receipt(u.digest), offset: BigInt(u.got.length), state });
		};
		return {
			jobs: {
				submitEntries: async (q: { job: string; entries: { payload: Bytes }[]; unsentCount: bigint }) => {
					const texts = q.entries.map((e) => JSON.parse(new TextDecoder().decode(e.payload)).note.text as string);
					this.hit("submit", texts.join(","));
					this.unsentCounts.push(q.unsentCount);
					const results = await Promise.all(
						q.entries.map(async (e, i) => {
							const given = { outcome: Result.ACCEPTED, seq: BigInt(this.entries.length + 1), ...this.outcome(texts[i]!) };
							if (given.outcome === Result.ACCEPTED) this.entries.push({ job: q.job, text: texts[i]! });
							return create(EntryResultSchema, { ...given, payloadDigest: await sha256(e.payload) });
						}),
					);
					this.hit("answer", texts.join(","));
					return create(SubmitEntriesResponseSchema, { results, serverTime: timestampFromMs(Date.now()) });
				},
			},
			uploads: {
				beginUpload: async (q: { size: bigint; digest: Bytes; purpose: BeginUploadRequest_Purpose }) => {
					this.hit("begin");
					const name = `uploads/${hex(q.digest).slice(0, 8)}`;
					if (!this.uploads.has(name)) this.uploads.set(name, { size: Number(q.size), digest: q.digest, got: bytes([]) });
					return upload(name, this.files.has(hex(q.digest)) ? UploadState.STORED : UploadState.RECEIVING);
				},
				uploadChunk: async (q: { name: string; offset: bigint; chunk: Bytes }) => {
					this.hit("chunk");
					const u = this.uploads.get(q.name)!;
					if (Number(q.offset) === u.got.length) u.got = join(u.got, q.chunk);
					this.hit("chunk-answer");
					return upload(q.name);
				},
				finishUpload: async (q: { name: string }) => {
					this.hit("finish");
					const u = this.uploads.get(q.name)!;
					if (hex(await sha256(u.got)) !== hex(u.digest)) return upload(q.name, UploadState.DIGEST_WRONG);
					this.files.set(hex(u.digest), u.got);
					return upload(q.name, UploadState.STORED);
				},
			},
		} as unknown as Server;
	}
}

function engine(memory: Memory): { engine: Engine; progress: Progress[]; run: () => Promise<void> } {
	const progress: Progress[] = [];
	const e = new Engine(memory.server(), { progress: (p) => progress.push(p), changed: () => undefined }, () => on);
	return {
		engine: e,
		progress,
		run: async () => {
			e.kick();
			await e.settled();
			e.stop();
		},
	};
}

const failed = () => new ConnectError("Failed to fetch", Code.Unknown);

describe("sending entries", () => {
	it("sends each job's entries in their order and says how much is left", async () => {
		for (const [t, j] of [
			["a", "jobs/one"],
			["x", "jobs/two"],
			["b", "jobs/one"],
		])
			await say(t!, j);
		const m = new Memory();
		await engine(m).run();
		expect(m.entries.map((e) => e.text)).toEqual(["a", "b", "x"]);
		expect(m.unsentCounts).toEqual([0n, 0n]);
		expect(await unsent(on)).toEqual({ entries: 0, files: 0, refused: 0 });
	});

	it("keeps everything when the line is lost, before and after the server had it, and sends it once more", async () => {
		for (const t of ["a", "b"]) await say(t);
		const m = new Memory();
		m.fault = (call, k) => ((call === "submit" && k === 1) || (call === "answer" && k === 1) ? failed() : undefined);
		await engine(m).run();
		expect(m.entries).toEqual([]);
		expect((await unsent(on)).entries).toBe(2);
		await engine(m).run(); // the server has them now, the answer is lost
		expect((await unsent(on)).entries).toBe(2);
		m.outcome = () => ({ outcome: Result.ALREADY_KNOWN });
		await engine(m).run();
		expect((await unsent(on)).entries).toBe(0);
	});

	it("sets the one entry aside that makes a whole batch unreadable, and sends the others", async () => {
		for (const t of ["a", "b", "POISON", "d", "e", "f"]) await say(t);
		const m = new Memory();
		m.fault = (call, _, text) =>
			call === "submit" && text.includes("POISON") ? new ConnectError("cannot be read", Code.InvalidArgument) : undefined;
		await engine(m).run();
		expect(m.entries.map((e) => e.text)).toEqual(["a", "b", "d", "e", "f"]);
		const refused = await entriesIn("refused", on);
		expect(refused.map((e) => e.sentence)).toEqual(["cannot be read"]);
	});

	it("keeps a refused entry with its reason, and tries one again later that is refused for now", async () => {
		for (const t of ["a", "never", "not-yet", "d"]) await say(t);
		const m = new Memory();
		m.outcome = (t) =>
			t === "never"
				? { outcome: Result.REFUSED, permanent: true, reason: "NO", sentence: "No.", keptAside: true }
				: t === "not-yet"
					? { outcome: Result.REFUSED, permanent: false, reason: "SERVER_OLDER", sentence: "Later." }
					: {};
		await engine(m).run();
		expect(m.entries.map((e) => e.text)).toEqual(["a", "d"]);
		const [never] = await entriesIn("refused", on);
		expect(never).toMatchObject({ reason: "NO", sentence: "No.", keptAside: true, permanent: true });
		const [later] = await entriesIn("here", on);
		expect(later?.reason).toBe("SERVER_OLDER");
		expect(later!.notBefore).toBeGreaterThan(Date.now());
	});

	it("pauses without a session, and refuses nothing", async () => {
		await say("a");
		const m = new Memory();
		m.fault = () => new ConnectError("ended", Code.Unauthenticated);
		const { run, progress } = engine(m);
		await run();
		expect(progress.at(-1)?.phase).toBe("signed-out");
		expect((await unsent(on)).entries).toBe(1);
	});

	it("keeps entries of a job that is not the person's any more, and goes on with others", async () => {
		await say("a", "jobs/one");
		await say("b", "jobs/two");
		const m = new Memory();
		m.fault = (call, _, text) =>
			call === "submit" && text === "a" ? new ConnectError("not on this job", Code.PermissionDenied) : undefined;
		await engine(m).run();
		expect(m.entries.map((e) => e.text)).toEqual(["b"]);
		expect((await entriesIn("here", on)).map((e) => e.sentence)).toEqual(["not on this job"]);
	});

	it("never sends bytes that are not those that were signed", async () => {
		const e = await say("a");
		await (await on).put("entries", { ...e, payload: utf8(new TextDecoder().decode(e.payload).replace('"a"', '"b"')) });
		const m = new Memory();
		await engine(m).run();
		expect(m.entries).toEqual([]);
		expect((await entriesOf("jobs/one", on))[0]).toMatchObject({ state: "refused", reason: "DAMAGED" });
	});

	it("makes batches of one job, bounded by number and bytes", async () => {
		const e = await say("a");
		expect(batches(Array.from({ length: 250 }, () => e)).map((b) => b.length)).toEqual([100, 100, 50]);
		const big = { ...e, payload: new Uint8Array(1_500_000) };
		expect(batches([big, big, e]).map((b) => b.length)).toEqual([1, 2]);
	});
});

describe("sending files", () => {
	const content = bytes(Array.from({ length: PIECE + 300_000 }, (_, i) => (i * 13) % 256));
	const photo = async () => {
		const f = await storeFile(content, { job: "jobs/one", step: "s", subject: "x", purpose: "photo", mediaType: "image/jpeg" }, on);
		await say("names the photo", "jobs/one", { file: f.digest });
		return f;
	};

	it("sends the entry first, then the bytes, and lets go of them after the receipt", async () => {
		const f = await photo();
		const m = new Memory();
		await engine(m).run();
		expect(m.calls.indexOf("submit")).toBeLessThan(m.calls.indexOf("begin"));
		expect(hex(await sha256(m.files.get(f.digest)!))).toBe(f.digest);
		expect(await (await on).count("pieces")).toBe(0);
	});

	it("does not send a file that no entry names yet", async () => {
		await storeFile(content, { job: "jobs/one", step: "s", subject: "x", purpose: "photo", mediaType: "image/jpeg" }, on);
		const m = new Memory();
		await engine(m).run();
		expect(m.calls).toEqual([]);
		expect((await unsent(on)).files).toBe(0);
	});

	it("goes on from the server's offset after a lost chunk and after a lost answer", async () => {
		const f = await photo();
		const m = new Memory();
		m.fault = (call, k) => ((call === "chunk" && k === 2) || (call === "chunk-answer" && k === 3) ? failed() : undefined);
		await engine(m).run();
		expect(m.files.size).toBe(0);
		await engine(m).run();
		await engine(m).run();
		expect(hex(await sha256(m.files.get(f.digest)!))).toBe(f.digest);
		expect(await unsent(on)).toEqual({ entries: 0, files: 0, refused: 0 });
	});

	it("keeps the bytes when the receipt names another digest", async () => {
		const f = await photo();
		const m = new Memory();
		m.receipt = () => new Uint8Array(32);
		await engine(m).run();
		expect((await (await on).get("files", f.digest))?.state).toBe("here");
		expect(hex(await sha256(await fileBytes(f, on)))).toBe(f.digest);
	});

	it("never sends a file whose stored bytes changed, and says so", async () => {
		const f = await photo();
		await (await on).put("pieces", new Uint8Array(PIECE).buffer, `${f.digest}/0000`);
		const m = new Memory();
		await engine(m).run();
		expect(m.calls).not.toContain("begin");
		expect(await (await on).get("files", f.digest)).toMatchObject({ state: "refused", reason: "DAMAGED" });
	});
});

describe("what a failure means", () => {
	it.each([
		[new ConnectError("Failed to fetch", Code.Unknown), "later"],
		[new ConnectError("", Code.Unavailable), "later"],
		[new ConnectError("", Code.DeadlineExceeded), "later"],
		[new ConnectError("", Code.ResourceExhausted), "later"],
		[new ConnectError("", Code.Unimplemented), "later"],
		[new ConnectError("", Code.Internal), "later"],
		[new TypeError("anything"), "later"],
		[new ConnectError("", Code.Unauthenticated), "sign-in"],
		[new ConnectError("", Code.PermissionDenied), "denied"],
		[new ConnectError("", Code.InvalidArgument), "show"],
		[new ConnectError("", Code.NotFound), "show"],
		[new ConnectError("", Code.FailedPrecondition), "show"],
	])("%s", (error, want) => expect(outcomeOf(error)).toBe(want));

	it("waits longer each time, at random, up to two minutes", () => {
		expect([0, 1, 5, 50].map((a) => backoff(a, () => 0.999999))).toEqual([999, 1999, 31999, 119999]);
		expect(backoff(5, () => 0)).toBe(0);
	});

	it("tries again by itself", async () => {
		vi.useFakeTimers({ toFake: ["setTimeout", "clearTimeout"] });
		try {
			await say("a");
			const m = new Memory();
			m.fault = (call, k) => (call === "submit" && k === 1 ? failed() : undefined);
			const { engine: e } = engine(m);
			e.kick();
			await e.settled();
			expect(m.entries).toEqual([]);
			vi.advanceTimersByTime(121_000);
			await e.settled();
			expect(m.entries.map((x) => x.text)).toEqual(["a"]);
			e.stop();
		} finally {
			vi.useRealTimers();
		}
	});
});
