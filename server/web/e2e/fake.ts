// A server in memory for the client's tests: the calls that the phone makes, in
// the Connect protocol's JSON form, with faults that a real server cannot be
// asked for: a cut line, a full stop in the middle of an upload, an ended
// session, an entry that it cannot read. It keeps payloads as bytes, checks
// digests, chains and signatures, and never computes a verdict.

import { createHash, createPublicKey, verify as verifySignature } from "node:crypto";
import { readFileSync, statSync } from "node:fs";
import { createServer, type IncomingMessage, type Server, type ServerResponse } from "node:http";
import { extname, join } from "node:path";
import { gzipSync } from "node:zlib";
import { instruments, people, plan, procedure } from "./world";

interface Line {
	seq: number;
	payload: Buffer;
	entry: any;
}

interface Upload {
	name: string;
	job: string;
	size: number;
	digest: string;
	bytes: Buffer;
	stored: boolean;
}

export interface Faults {
	/** Every call's connection is cut. */
	down: boolean;
	/** Calls answer 401. */
	signedOut: boolean;
	/** Cut the connection of the n-th chunk from now on; counted down. */
	cutChunk: number;
	/** A whole batch that holds an entry with this text is not readable: 400. */
	poison: string;
	/** Refuse entries of this kind, permanently. */
	refuse: string;
	/** Milliseconds before each answer. */
	slow: number;
}

export class Fake {
	readonly faults: Faults = { down: false, signedOut: false, cutChunk: 0, poison: "", refuse: "", slow: 0 };
	readonly lines: Line[] = [];
	readonly uploads = new Map<string, Upload>();
	readonly stored = new Map<string, Buffer>();
	readonly calls: string[] = [];
	readonly unsentCounts: number[] = [];
	readonly keys: Buffer[] = [];
	clockAhead = 0;
	url = "";
	/** The built client; a test may change what sw.js says. */
	patch: (path: string, body: Buffer) => Buffer = (_, b) => b;
	private server: Server | undefined;
	private number = 0;

	constructor(readonly connections = 6) {}

	async start(): Promise<this> {
		this.server = createServer(
			(q, r) =>
				void this.answer(q, r).catch((error) => {
					r.statusCode = 500;
					r.end(String(error));
				}),
		);
		const port = this.url ? Number(new URL(this.url).port) : 0;
		await new Promise<void>((ok) => this.server!.listen(port, "127.0.0.1", ok));
		this.url = `http://localhost:${(this.server.address() as { port: number }).port}`;
		return this;
	}

	async stop(): Promise<void> {
		this.server?.closeAllConnections();
		await new Promise<void>((ok) => (this.server ? this.server.close(() => ok()) : ok()));
	}

	private async answer(q: IncomingMessage, r: ServerResponse): Promise<void> {
		const path = new URL(q.url!, "http://x").pathname;
		if (path.startsWith("/witnessmark.v1.")) return this.call(path, q, r);
		if (this.faults.down) return void q.socket.destroy();
		this.file(path, r);
	}

	private file(path: string, r: ServerResponse): void {
		let file = join("dist", path);
		try {
			if (!statSync(file).isFile()) throw new Error();
		} catch {
			if (extname(path)) {
				r.statusCode = 404;
				return void r.end();
			}
			file = "dist/index.html";
		}
		const types: Record<string, string> = {
			".html": "text/html; charset=utf-8",
			".js": "text/javascript",
			".css": "text/css",
			".svg": "image/svg+xml",
			".webmanifest": "application/manifest+json",
		};
		r.setHeader("Content-Type", types[extname(file)] ?? "application/octet-stream");
		r.setHeader("Cache-Control", "no-cache");
		r.setHeader(
			"Content-Security-Policy",
			"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; media-src 'self' blob:; connect-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'self'",
		);
		r.setHeader("Content-Encoding", "gzip");
		r.end(gzipSync(this.patch(path, readFileSync(file))));
	}

	private async call(path: string, q: IncomingMessage, r: ServerResponse): Promise<void> {
		const parts: Buffer[] = [];
		for await (const p of q) parts.push(p as Buffer);
		const method = path.split("/").pop()!;
		this.calls.push(method);
		if (this.faults.slow) await new Promise((ok) => setTimeout(ok, this.faults.slow));
		if (this.faults.down) return void q.socket.destroy();
		if (method === "UploadChunk" && this.faults.cutChunk > 0 && --this.faults.cutChunk === 0) return void q.socket.destroy();
		const body = parts.length ? JSON.parse(Buffer.concat(parts).toString("utf8")) : {};
		const fail = (status: number, code: string, message: string) => {
			r.statusCode = status;
			r.setHeader("Content-Type", "application/json");
			r.end(JSON.stringify({ code, message }));
		};
		if (method !== "Enroll" && (this.faults.signedOut || q.headers.authorization !== "Bearer token-1"))
			return fail(401, "unauthenticated", "the session has ended");
		const handler = (this as any)[`on${method}`] as ((b: any) => any) | undefined;
		if (!handler) return fail(404, "unimplemented", method);
		const out = handler.call(this, body);
		if (out?.fail) return fail(out.status, out.fail, out.message);
		r.setHeader("Content-Type", "application/json");
		r.end(JSON.stringify(out));
	}

	private time(): string {
		return new Date(Date.now() + this.clockAhead).toISOString();
	}

	onEnroll(b: any) {
		if (!/^GOOD/.test(b.code)) return { fail: "invalid_argument", status: 400, message: "the code is not known or over" };
		this.faults.signedOut = false;
		this.keys.push(Buffer.from(b.publicKey ?? "", "base64"));
		return {
			token: "token-1",
			organization: "organizations/demo",
			person: people.find((p) => p.name === `people/${b.code.slice(5).toLowerCase()}`) ?? people[0],
			device: { name: `devices/d${++this.number}`, title: b.title },
		};
	}
	onGetIdentity(b: any) {
		if (b.unsentCount !== undefined) this.unsentCounts.push(Number(b.unsentCount));
		return { organization: "organizations/demo", serverTime: this.time(), serverVersion: "test", settings: {} };
	}
	onListPeople() {
		return { people };
	}
	onListInstruments() {
		return { instruments };
	}
	private job() {
		const { _connections: _, ...p } = procedure(this.connections);
		return {
			job: {
				name: "jobs/ridge-7",
				title: "Line day",
				site: "sites/ridge-7",
				siteTitle: "Ridge 7",
				procedure: p.id,
				state: "OPEN",
				people: people.map((x) => x.name),
				zone: "Europe/Madrid",
				day: "2026-03-03",
				lineCount: String(this.lines.length),
			},
			procedure: p,
		};
	}
	onListJobs() {
		return { jobs: [this.job().job] };
	}
	onGetJobView() {
		const { job, procedure: p } = this.job();
		const climbs = this.lines
			.filter((l) => l.entry.climbOpened)
			.map((l) => ({
				id: l.entry.id,
				crew: l.entry.climbOpened.crew,
				openTime: l.entry.deviceTime,
				closeTime: this.lines.find((x) => x.entry.climbClosed && x.entry.climb === l.entry.id)?.entry.deviceTime,
			}));
		const gone = new Set(this.lines.filter((l) => l.entry.withdrawn).map((l) => l.entry.withdrawn.entry));
		const stop = this.lines.filter((l) => (l.entry.workStopped || l.entry.workResumed) && !gone.has(l.entry.id)).at(-1);
		return {
			job,
			head: { size: String(this.lines.length) },
			asOfTime: this.time(),
			procedure: p,
			plan: plan(this.connections),
			climbs,
			stopped: Boolean(stop?.entry.workStopped),
		};
	}
	onListSteps() {
		// Steps with entries only: the phone multiplies the procedure with the plan by itself. States as a server would give them for the simple kinds.
		const by = new Map<string, Line[]>();
		for (const l of this.lines) if (l.entry.step) by.set(l.entry.step, [...(by.get(l.entry.step) ?? []), l]);
		const gone = new Set(this.lines.filter((l) => l.entry.withdrawn).map((l) => l.entry.withdrawn.entry));
		const steps = [...by].map(([id, lines]) => {
			const [scope, section, step] = id.split("/");
			const last = lines.filter((l) => !gone.has(l.entry.id)).at(-1)?.entry;
			const photos = last?.photoAttached && this.stored.has(Buffer.from(last.photoAttached.digest, "base64").toString("hex"));
			const value = last?.readingTaken?.value ?? last?.torqueApplied?.value ?? 0;
			const pass = last?.torqueApplied
				? value >= 24.4 && value <= 30
				: last?.readingTaken?.unit === "METERS_PER_SECOND"
					? value <= 10.3
					: value <= -150;
			const measured = Boolean(last?.readingTaken || last?.torqueApplied);
			const state = !last
				? "OPEN"
				: last.photoAttached
					? photos
						? "COMPLETE"
						: "WAITING"
					: last.acknowledged
						? lines.length >= 1
							? "COMPLETE"
							: "OPEN"
						: measured
							? pass
								? "COMPLETE"
								: "OUT_OF_LIMITS"
							: "COMPLETE";
			return {
				id,
				section,
				step,
				scope: scope!.split(":")[1] ?? "",
				state,
				verdict: measured ? (pass ? "PASS" : "FAIL") : undefined,
				sentence: "As the server says.",
				required: true,
				entries: lines.map((l) => ({
					seq: String(l.seq),
					entry: l.entry,
					time: l.entry.deviceTime,
					receiveTime: l.entry.deviceTime,
					withdrawn: gone.has(l.entry.id),
					verdict: l.entry.torqueApplied || l.entry.readingTaken ? (pass ? "PASS" : "FAIL") : undefined,
					sentence: "As the server says.",
				})),
			};
		});
		return { steps, size: String(this.lines.length) };
	}
	onGetDeviceChain() {
		return { counter: "0" };
	}
	onSubmitEntries(b: any) {
		if (b.unsentCount !== undefined) this.unsentCounts.push(Number(b.unsentCount));
		const payloads = (b.entries ?? []).map((e: any) => Buffer.from(e.payload, "base64"));
		if (this.faults.poison && payloads.some((p: Buffer) => p.includes(this.faults.poison)))
			return { fail: "invalid_argument", status: 400, message: "the batch cannot be read" };
		const results = payloads.map((payload: Buffer, i: number) => {
			const entry = JSON.parse(payload.toString("utf8"));
			const payloadDigest = createHash("sha256").update(payload).digest("base64");
			const kind = Object.keys(entry).find((k) => k === this.faults.refuse);
			if (kind)
				return {
					id: entry.id,
					payloadDigest,
					outcome: "REFUSED",
					reason: "NOT_AUTHORISED",
					sentence: "Not yours to say.",
					permanent: true,
					keptAside: true,
				};
			const type = "application/vnd.witnessmark.entry+json";
			const pae = Buffer.concat([Buffer.from(`DSSEv1 ${type.length} ${type} ${payload.length} `), payload]);
			const signature = Buffer.from(b.entries[i].signature ?? "", "base64");
			const good = this.keys.some((der) =>
				verifySignature(
					"sha256",
					pae,
					{ key: createPublicKey({ key: der, format: "der", type: "spki" }), dsaEncoding: "ieee-p1363" },
					signature,
				),
			);
			if (!good)
				return {
					id: entry.id,
					payloadDigest,
					outcome: "REFUSED",
					reason: "SIGNATURE_WRONG",
					sentence: "The signature does not fit.",
					permanent: true,
				};
			const known = this.lines.find((l) => l.entry.id === entry.id);
			if (known)
				return {
					id: entry.id,
					payloadDigest,
					outcome: known.payload.equals(payload) ? "ALREADY_KNOWN" : "REFUSED",
					reason: known.payload.equals(payload) ? "" : "ENTRY_ID_REUSED",
					permanent: true,
					seq: String(known.seq),
				};
			const line = { seq: this.lines.length + 1, payload, entry };
			this.lines.push(line);
			return { id: entry.id, payloadDigest, outcome: "ACCEPTED", seq: String(line.seq), assessment: {} };
		});
		return { results, head: { size: String(this.lines.length) }, serverTime: this.time() };
	}
	onBeginUpload(b: any) {
		const digest = Buffer.from(b.digest, "base64").toString("hex");
		let u = [...this.uploads.values()].find((x) => x.digest === digest && x.job === b.job);
		if (!u) {
			u = {
				name: `uploads/u${++this.number}`,
				job: b.job,
				size: Number(b.size),
				digest,
				bytes: Buffer.alloc(0),
				stored: this.stored.has(digest),
			};
			this.uploads.set(u.name, u);
		}
		return this.uploadOf(u);
	}
	onUploadChunk(b: any) {
		const u = this.uploads.get(b.name);
		if (!u) return { fail: "not_found", status: 404, message: "the upload is over" };
		if (Number(b.offset ?? 0) === u.bytes.length) u.bytes = Buffer.concat([u.bytes, Buffer.from(b.chunk, "base64")]);
		return this.uploadOf(u);
	}
	onFinishUpload(b: any) {
		const u = this.uploads.get(b.name)!;
		const digest = createHash("sha256").update(u.bytes).digest("hex");
		if (digest !== u.digest) {
			this.uploads.delete(u.name);
			return { ...this.uploadOf(u), state: "DIGEST_WRONG" };
		}
		this.stored.set(digest, u.bytes);
		u.stored = true;
		return this.uploadOf(u);
	}
	private uploadOf(u: Upload) {
		return {
			name: u.name,
			job: u.job,
			size: String(u.size),
			digest: Buffer.from(u.digest, "hex").toString("base64"),
			offset: String(u.stored ? u.size : u.bytes.length),
			state: u.stored ? "STORED" : "RECEIVING",
		};
	}
	onSetOwnCode() {
		return {};
	}
	onConfirmAcknowledgement() {
		return { seq: "0" };
	}
	onSignOut() {
		return {};
	}

	/** What is wrong with the chain of the lines, in words; empty when nothing is. */
	chainProblems(): string[] {
		const out: string[] = [];
		const last = new Map<string, Line>();
		for (const l of this.lines) {
			const before = last.get(l.entry.device);
			if (Number(l.entry.counter) !== (before ? Number(before.entry.counter) + 1 : 1))
				out.push(`counter ${l.entry.counter} after ${before?.entry.counter ?? 0}`);
			const want = before ? createHash("sha256").update(before.payload).digest("base64") : undefined;
			if (l.entry.previous !== want) out.push(`previous of ${l.entry.counter}`);
			last.set(l.entry.device, l);
		}
		return out;
	}
}
