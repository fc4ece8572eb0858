// What the tests of 'nothing is lost' share: the real server as a process that
// can be killed and started again on the same folder, a link that can be cut,
// stalled or taken by a captive portal, and a phone whose browser can be killed
// like a process that the system ends, with its profile kept.

import { type ChildProcess, execFileSync, spawn } from "node:child_process";
import { createHash } from "node:crypto";
import { mkdirSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createServer, type Server as HttpServer, type IncomingMessage, request, type ServerResponse } from "node:http";
import { connect as dial, createServer as listen, type Socket } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { type Browser, type BrowserContext, type CDPSession, chromium, type Page } from "playwright-core";
import { expect } from "vitest";
import { browserPath, type Size, TALL } from "./browser";

export const sha256 = (data: Uint8Array): string => createHash("sha256").update(data).digest("hex");
const sleep = (ms: number) => new Promise<void>((ok) => setTimeout(ok, ms));

/** Waits until `ask` is true; the error says what did not come, and what `ask` last said. */
export async function until(what: string, ask: () => Promise<unknown> | unknown, ms = 30_000): Promise<void> {
	const end = Date.now() + ms;
	for (let last: unknown; ; ) {
		try {
			last = await ask();
			if (last === true) return;
		} catch (error) {
			last = error;
		}
		if (Date.now() > end)
			throw new Error(`${what}: not within ${ms} ms; last: ${last instanceof Error ? last.message : JSON.stringify(last)}`);
		await sleep(100);
	}
}

// --- the server

export interface Login {
	person: string;
	role: string;
	code: string;
	token: string;
}

/** One submitted line of a job, as the server keeps it. */
export interface KeptLine {
	seq: number;
	payload: Buffer;
	entry: Record<string, any>;
}

let program = "";

/** Builds the server once for a test file. */
export function build(folder: string): string {
	if (!program) {
		program = join(folder, "witnessmark");
		execFileSync("go", ["build", "-o", program, "./server/cmd/witnessmark"], { cwd: "../..", stdio: ["ignore", "inherit", "inherit"] });
	}
	return program;
}

/** The real server on the data of the demonstration. */
export class Real {
	private process: ChildProcess | undefined;
	private log = "";
	logins: Login[] = [];
	job = "";
	port = 0;

	constructor(private readonly folder: string) {}

	private get data(): string {
		return join(this.folder, "data");
	}

	/** Sets up the demonstration's data and starts. */
	async begin(): Promise<this> {
		const out = execFileSync(build(this.folder), ["demo", "--once", "--json", "--listen", "127.0.0.1:0", "--data", this.data], {
			encoding: "utf8",
		});
		const demo = JSON.parse(out) as { logins: Login[]; workJob: string };
		this.logins = demo.logins;
		this.job = demo.workJob;
		this.port = await freePort();
		await this.start();
		return this;
	}

	async start(): Promise<void> {
		this.process = spawn(
			build(this.folder),
			["serve", "--data", this.data, "--listen", `127.0.0.1:${this.port}`, "--log-name", "demo.witnessmark.example"],
			{ stdio: ["ignore", "ignore", "pipe"] },
		);
		this.process.stderr!.on("data", (d: Buffer) => {
			this.log = (this.log + d).slice(-20_000);
		});
		await until("the server is ready", async () => (await fetch(`http://127.0.0.1:${this.port}/readyz`)).ok, 30_000).catch((error) => {
			throw new Error(`${error}; ${this.log.slice(-1000)}`);
		});
	}

	/** As a power cut ends it: no signal that it could hear. */
	async kill(): Promise<void> {
		const p = this.process;
		this.process = undefined;
		if (!p || p.exitCode !== null || p.signalCode !== null) return;
		const gone = new Promise((ok) => p.once("exit", ok));
		p.kill("SIGKILL");
		await gone;
	}

	/** One call with the token of a person of a role. The error holds status and answer. */
	async call<T>(role: string, method: string, body: object): Promise<T> {
		const r = await fetch(`http://127.0.0.1:${this.port}/witnessmark.v1.${method}`, {
			method: "POST",
			headers: {
				"Content-Type": "application/json",
				"Connect-Protocol-Version": "1",
				Authorization: `Bearer ${this.logins.find((l) => l.role === role)!.token}`,
			},
			body: JSON.stringify(body),
		});
		const text = await r.text();
		if (!r.ok) throw new Error(`${method}: ${r.status} ${text}`);
		return JSON.parse(text) as T;
	}

	/** A fresh one-time code. */
	async code(person: string): Promise<string> {
		return (await this.call<{ code: string }>("office", "DeviceService/CreateEnrollmentCode", { person })).code;
	}

	/** All lines of the job, with the payloads' exact bytes. */
	async lines(job = this.job): Promise<KeptLine[]> {
		const out: KeptLine[] = [];
		for (let more = true, after = "0"; more; ) {
			const page = await this.call<{ lines?: { seq: string; line: string }[]; more?: boolean }>("lead", "JobService/ListLines", {
				job: `jobs/${job}`,
				after,
				pageSize: 1000,
			});
			for (const l of page.lines ?? []) {
				const line = JSON.parse(Buffer.from(l.line, "base64").toString("utf8")) as { payload: string };
				const payload = Buffer.from(line.payload, "base64");
				out.push({ seq: Number(l.seq), payload, entry: JSON.parse(payload.toString("utf8")) });
				after = l.seq;
			}
			more = page.more === true;
		}
		return out;
	}

	async refused(job = this.job): Promise<{ digest: string; reason: string }[]> {
		const page = await this.call<{ refused?: { digest: string; reason: string }[] }>("lead", "JobService/ListRefused", {
			job: `jobs/${job}`,
			pageSize: 1000,
		});
		return page.refused ?? [];
	}

	/** SHA-256 over the original of a photo as it is downloaded; the status when there is none. */
	async photo(digest: string, job = this.job): Promise<string> {
		const r = await fetch(`http://127.0.0.1:${this.port}/jobs/${job}/photos/${digest}`, {
			headers: { Authorization: `Bearer ${this.logins.find((l) => l.role === "lead")!.token}` },
		});
		const body = new Uint8Array(await r.arrayBuffer());
		return r.ok ? sha256(body) : `status ${r.status}`;
	}
}

async function freePort(): Promise<number> {
	const s = listen();
	await new Promise<void>((ok) => s.listen(0, "127.0.0.1", ok));
	const port = (s.address() as { port: number }).port;
	await new Promise((ok) => s.close(ok));
	return port;
}

export function folder(): { path: string; remove: () => void } {
	const path = mkdtempSync(join(tmpdir(), "witnessmark-lose-"));
	return { path, remove: () => rmSync(path, { recursive: true, force: true, maxRetries: 5, retryDelay: 200 }) };
}

// --- the link between phone and server

export type Weather =
	| "up"
	| "cut" // every connection is reset
	| "stall" // half-open: what is sent is taken, nothing ever comes back
	| "swallow" // the server does it, and its answer is lost
	| "portal" // a captive portal: 200 and a page, whatever was asked
	| "gate"; // a proxy that wants a password: 401 and a page

const PAGE = "<!doctype html><title>Guest network</title><p>Accept the terms to go on.";

export class Link {
	weather: Weather = "up";
	/** Cut the connection in the middle of the body of the n-th chunk of a photo from now on. */
	cutChunk = 0;
	/** Paths that were asked for. */
	readonly asked: string[] = [];
	/** Bytes of all requests that carried a piece of a photo. */
	chunkBytes = 0;
	/** May change what a path gives, such as a newer service worker. */
	patch: ((path: string, body: Buffer) => Buffer) | undefined;
	url = "";
	private server: HttpServer | undefined;
	private held = new Set<Socket>();

	constructor(private readonly to: { port: number }) {}

	async start(): Promise<this> {
		this.server = createServer((q, r) => this.pass(q, r));
		await new Promise<void>((ok) => this.server!.listen(0, "127.0.0.1", ok));
		this.url = `http://localhost:${(this.server.address() as { port: number }).port}`;
		return this;
	}

	/** Counts from here on. */
	forget(): void {
		this.asked.length = 0;
		this.chunkBytes = 0;
	}

	/** Resets what hangs since a stall. Without it those calls hang until the phone gives them up. */
	drop(): void {
		for (const s of this.held) s.destroy();
		this.held.clear();
	}

	async stop(): Promise<void> {
		this.drop();
		this.server?.closeAllConnections();
		await new Promise<void>((ok) => (this.server ? this.server.close(() => ok()) : ok()));
	}

	private pass(q: IncomingMessage, r: ServerResponse): void {
		const path = new URL(q.url!, "http://x").pathname;
		this.asked.push(path);
		if (path.endsWith("/UploadChunk")) this.chunkBytes += Number(q.headers["content-length"] ?? 0);
		q.on("error", () => undefined); // the browser went away
		if (this.weather === "cut") return void q.socket.destroy();
		if (this.weather === "stall") {
			this.held.add(q.socket);
			q.resume();
			return;
		}
		if (this.weather === "portal" || this.weather === "gate") {
			q.resume();
			r.writeHead(this.weather === "portal" ? 200 : 401, { "Content-Type": "text/html" });
			return void r.end(PAGE);
		}
		const swallow = this.weather === "swallow";
		const half = path.endsWith("/UploadChunk") && this.cutChunk > 0 && --this.cutChunk === 0;
		const headers = { ...q.headers };
		if (this.patch) headers["accept-encoding"] = "identity"; // what is packed cannot be patched
		const up = request({ host: "127.0.0.1", port: this.to.port, method: q.method, path: q.url, headers, agent: false }, (a) => {
			const parts: Buffer[] = [];
			a.on("data", (d: Buffer) => parts.push(d));
			a.on("error", () => q.socket.destroy());
			a.on("end", () => {
				if (swallow) return void q.socket.destroy();
				let body: Buffer = Buffer.concat(parts);
				const answered = { ...a.headers };
				if (this.patch) {
					body = this.patch(path, body);
					delete answered["content-length"];
					delete answered["transfer-encoding"];
				}
				r.writeHead(a.statusCode ?? 502, answered);
				r.end(body);
			});
		});
		up.on("error", () => q.socket.destroy());
		if (half) {
			// Half of the body reaches the server, then both sides lose the connection.
			let n = 0;
			const whole = Number(q.headers["content-length"] ?? 2);
			q.on("data", (d: Buffer) => {
				n += d.length;
				up.write(d);
				if (n >= whole / 2) {
					up.destroy();
					q.socket.destroy();
				}
			});
			return;
		}
		q.pipe(up);
	}
}

// --- the phone

/** What the phone's own database says. */
export interface Stored {
	entries: {
		id: string;
		job: string;
		device: string;
		counter: number;
		kind: string;
		state: string;
		reason: string;
		keptAside: boolean;
		/** SHA-256 over the stored payload, taken now, not what the client noted. */
		digest: string;
		payload: string;
	}[];
	files: { digest: string; entry: string; state: string; pieces: number; present: number; reason: string }[];
}

/** A browser of its own process and profile. */
export class Phone {
	private process: ChildProcess | undefined;
	private browser: Browser | undefined;
	private cdp: CDPSession | undefined;
	private script = "";
	context!: BrowserContext;
	page!: Page;
	/** What stands between the phone's clock and the true one, milliseconds. */
	skew = 0;
	/** Entries that the phone has shown as saved: id to digest of the payload. */
	readonly saved = new Map<string, string>();
	/** Originals that it has shown as kept. */
	readonly photos = new Set<string>();
	readonly problems: string[] = [];

	constructor(
		readonly name: string,
		private readonly profile: string,
		private readonly url: string,
		private readonly size: Size = TALL,
	) {
		mkdirSync(profile, { recursive: true });
	}

	/** Starts the browser on its profile. */
	async launch(): Promise<this> {
		this.process = spawn(
			browserPath(),
			[
				"--headless",
				"--no-sandbox",
				"--disable-gpu",
				"--disable-dev-shm-usage",
				"--disable-background-networking",
				"--disable-component-update",
				"--disable-default-apps",
				"--disable-sync",
				"--metrics-recording-only",
				"--no-first-run",
				"--disable-back-forward-cache", // a page that was left holds no database open
				"--lang=en-GB",
				"--remote-debugging-port=0",
				`--user-data-dir=${this.profile}`,
				"about:blank",
			],
			{ stdio: ["ignore", "ignore", "pipe"], detached: true, env: { ...process.env, TZ: "Europe/Madrid", LANGUAGE: "en_GB" } },
		);
		const address = await new Promise<string>((ok, fail) => {
			let out = "";
			this.process!.stderr!.on("data", (d: Buffer) => {
				out += d;
				const m = /DevTools listening on (ws:\S+)/.exec(out);
				if (m) ok(m[1]!);
			});
			this.process!.once("exit", (code, signal) => fail(new Error(`the browser ended with ${code ?? signal}: ${out.slice(-800)}`)));
			setTimeout(() => fail(new Error(`the browser did not start: ${out.slice(-800)}`)), 30_000).unref();
		});
		this.browser = await chromium.connectOverCDP(address);
		this.context = this.browser.contexts()[0]!;
		this.context.setDefaultTimeout(15_000);
		await this.take(this.context.pages()[0] ?? (await this.context.newPage()));
		return this;
	}

	/** Goes on with this page. */
	async take(page: Page): Promise<void> {
		this.page = page;
		await page.setViewportSize(this.size);
		page.on("pageerror", (e) => this.problems.push(`${this.name}: ${e.message}`));
		this.cdp = await this.context.newCDPSession(page);
		await this.cdp.send("Page.enable");
		this.script = "";
		await this.setClock(this.skew);
	}

	/** The system ends the browser: every process of it, at once. */
	async kill(): Promise<void> {
		const p = this.process;
		this.process = undefined;
		if (!p?.pid) return;
		p.removeAllListeners("exit");
		const gone = p.exitCode !== null || p.signalCode !== null ? undefined : new Promise((ok) => p.once("exit", ok));
		try {
			process.kill(-p.pid, "SIGKILL");
		} catch {
			p.kill("SIGKILL");
		}
		await gone;
		await this.browser?.close().catch(() => undefined); // only our end of it is left
	}

	/** Sets the phone's clock, now and for every page to come. performance.now() goes on steadily, as on a phone. */
	async setClock(skew: number): Promise<void> {
		this.skew = skew;
		const source = `(() => {
			const True = globalThis.__TrueDate ?? (globalThis.__TrueDate = Date);
			const skew = ${skew};
			const Set = class Date extends True {
				constructor(...a) { if (a.length === 0) super(True.now() + skew); else super(...a); }
				static now() { return True.now() + skew; }
			};
			globalThis.Date = Set;
		})()`;
		if (this.script) await this.cdp!.send("Page.removeScriptToEvaluateOnNewDocument", { identifier: this.script });
		this.script = (await this.cdp!.send("Page.addScriptToEvaluateOnNewDocument", { source })).identifier;
		await this.page.evaluate(source);
	}

	/**
	 * How many bytes this origin may keep; undefined: as before. The browser
	 * remembers for a while how much room there was, for as long as a database is
	 * open: so the page leaves, and the path is opened anew.
	 */
	async quota(bytes: number | undefined, path: string): Promise<void> {
		await this.cdp!.send("Storage.overrideQuotaForOrigin", {
			origin: this.url,
			...(bytes === undefined ? {} : { quotaSize: bytes }),
		});
		await this.page.goto("about:blank");
		await sleep(3500);
		await this.open(path);
	}

	async usage(): Promise<number> {
		return (await this.cdp!.send("Storage.getUsageAndQuota", { origin: this.url })).usage;
	}

	/** Loads a path from nothing, as a cold start does. */
	async open(path: string): Promise<void> {
		await this.page.goto(this.url + path);
		await this.page.locator(".where").waitFor();
	}

	/** Goes to a path inside the running client. */
	async go(path: string): Promise<void> {
		await this.page.evaluate((p) => {
			history.pushState(null, "", p);
			dispatchEvent(new PopStateEvent("popstate"));
		}, path);
	}

	async enrol(code: string): Promise<void> {
		await this.page.goto(`${this.url}/#code=${code}`);
		await this.page.getByRole("button", { name: /Enrol this phone/ }).click();
		await until(`${this.name}: enrolled`, async () => {
			if (await this.page.getByRole("heading", { name: "My jobs" }).isVisible()) return true;
			return this.page.locator("body").textContent();
		});
	}

	/** Takes the job onto the phone and waits until the worker has the whole client. */
	async takeJob(title: RegExp): Promise<void> {
		await this.page.locator(".list").getByRole("button", { name: title }).first().click();
		await this.page.getByRole("heading", { name: /Ready for no coverage/ }).waitFor();
		await until("the worker keeps the client", () =>
			this.page.evaluate(
				async () => navigator.serviceWorker.controller !== null && (await caches.keys()).some((n) => n.startsWith("client-")),
			),
		);
	}

	foot(name: RegExp) {
		return this.page.locator(".foot").getByRole("button", { name });
	}

	/** What the database holds now. */
	async stored(): Promise<Stored> {
		const raw = await this.page.evaluate(
			() =>
				new Promise<{ entries: any[]; files: any[] }>((ok, fail) => {
					const r = indexedDB.open("witnessmark");
					r.onerror = () => fail(r.error);
					r.onsuccess = () => {
						const tx = r.result.transaction(["entries", "files", "pieces"]);
						const entries = tx.objectStore("entries").getAll();
						const files = tx.objectStore("files").getAll();
						const pieces = tx.objectStore("pieces").getAllKeys();
						tx.onerror = () => fail(tx.error);
						tx.oncomplete = () => {
							r.result.close();
							ok({
								entries: entries.result.map((e) => ({
									id: e.id,
									job: e.job,
									device: e.device,
									counter: e.counter,
									kind: e.kind,
									state: e.state,
									reason: e.reason,
									keptAside: e.keptAside,
									payload: new TextDecoder().decode(e.payload),
								})),
								files: files.result.map((f) => ({
									digest: f.digest,
									entry: f.entry,
									state: f.state,
									pieces: f.pieces,
									reason: f.reason,
									present: pieces.result.filter((k) => String(k).startsWith(f.digest)).length,
								})),
							});
						};
					};
				}),
		);
		return {
			entries: raw.entries.map((e) => ({ ...e, digest: sha256(Buffer.from(e.payload, "utf8")) })),
			files: raw.files,
		};
	}

	/**
	 * Holds the database against all that was shown as saved so far: nothing is
	 * gone, no byte is another, no photo's bytes left before the server had them.
	 * What is new there is noted. Returns how many entries there are.
	 */
	async check(): Promise<number> {
		const now = await this.stored();
		const have = new Map(now.entries.map((e) => [e.id, e.digest]));
		for (const [id, digest] of this.saved) expect(have.get(id), `${this.name}: entry ${id} after it was saved`).toBe(digest);
		for (const [id, digest] of have) this.saved.set(id, digest);
		for (const digest of this.photos) {
			const f = now.files.find((x) => x.digest === digest);
			expect(f, `${this.name}: photo ${digest}`).toBeDefined();
			if (f!.state !== "sent") expect(f!.present, `${this.name}: pieces of ${digest}`).toBe(f!.pieces);
		}
		return now.entries.length;
	}

	/** A note through its screen; returns when the screen has said that it is saved. */
	async note(job: string, text: string): Promise<void> {
		await this.go(`/job/${job}/note`);
		await this.page.locator("textarea").fill(text);
		await this.page.locator(".foot .primary").click();
		await this.page.waitForFunction(() => !location.pathname.endsWith("/note"));
	}

	/** A photo through the camera's input, looked at and kept. */
	async photo(job: string, step: string, bytes: Buffer): Promise<void> {
		await this.go(`/job/${job}/step?step=${encodeURIComponent(step)}`);
		await this.page.locator("#camera").setInputFiles({ name: "IMG_1.jpg", mimeType: "image/jpeg", buffer: bytes });
		await this.keep(bytes);
	}

	/** The look at the picture, and 'keep'. */
	async keep(bytes: Buffer): Promise<void> {
		await this.page.getByRole("heading", { name: /Is it sharp/ }).waitFor();
		await this.foot(/keep it/i).click();
		await this.page.getByRole("heading", { name: /Is it sharp/ }).waitFor({ state: "detached" });
		this.photos.add(sha256(bytes));
	}

	/** Sends until the phone says that all is sent. */
	async sendAll(ms = 60_000): Promise<void> {
		await this.go("/unsent");
		await until(
			`${this.name}: all sent`,
			async () => {
				const text = await this.page.locator(".only").textContent();
				if (text?.includes("all sent")) return true;
				const now = this.page.locator(".foot").getByRole("button", { name: /Try now/ });
				if (await now.isVisible()) await now.click();
				await sleep(400);
				return `${text}: ${(await this.page.locator("main").textContent())?.slice(0, 300)}`;
			},
			ms,
		);
	}
}

/**
 * The server has each of the entries and photos exactly once, byte for byte, and
 * each device's chain has no gap.
 */
export async function keptOnce(real: Real, phones: Phone[], refused: ReadonlySet<string> = new Set()): Promise<void> {
	const lines = await real.lines();
	const count = new Map<string, number>();
	for (const l of lines) count.set(sha256(l.payload), (count.get(sha256(l.payload)) ?? 0) + 1);
	const aside = new Set((await real.refused()).map((r) => r.digest));
	const wrong: string[] = [];
	for (const p of phones) {
		for (const [id, digest] of p.saved) {
			const n = count.get(digest) ?? 0;
			if (refused.has(id) ? n !== 0 || !aside.has(digest) : n !== 1)
				wrong.push(`${p.name}: entry ${id} stands ${n} times on the server${aside.has(digest) ? ", and aside" : ""}`);
		}
		for (const digest of p.photos) {
			const got = await real.photo(digest);
			if (got !== digest) wrong.push(`${p.name}: photo ${digest} comes back as ${got}`);
		}
	}
	const ids = lines.map((l) => l.entry.id as string);
	if (new Set(ids).size !== ids.length) wrong.push("an id stands twice");
	for (const p of phones) {
		const stored = await p.stored();
		for (const device of new Set(stored.entries.map((e) => e.device))) {
			const mine = lines
				.filter((l) => l.entry.device === device && !refused.has(l.entry.id))
				.sort((a, b) => Number(a.entry.counter) - Number(b.entry.counter));
			const all = new Set(stored.entries.filter((e) => e.device === device).map((e) => e.counter));
			if (mine.length + [...stored.entries].filter((e) => e.device === device && refused.has(e.id)).length !== all.size)
				wrong.push(`${p.name}: ${device} has ${mine.length} lines and made ${all.size} entries`);
			for (const [i, l] of mine.entries()) {
				const before = mine[i - 1];
				if (before && Number(l.entry.counter) === Number(before.entry.counter) + 1) {
					const previous = Buffer.from(l.entry.previous ?? "", "base64").toString("hex");
					if (previous !== sha256(before.payload)) wrong.push(`${p.name}: entry ${l.entry.counter} does not go on from the one before`);
				}
			}
		}
	}
	expect(wrong).toEqual([]);
}

/** A picture of about so many bytes that needs no browser: a real JPEG with bytes after its end, as some cameras leave them. */
export function snapshot(base: Buffer, seed: number, size: number): Buffer {
	const tail = Buffer.alloc(Math.max(16, size - base.length));
	let s = seed >>> 0 || 1;
	for (let i = 0; i < tail.length; i++) {
		s ^= s << 13;
		s ^= s >>> 17;
		s ^= s << 5;
		tail[i] = s & 0xff;
	}
	return Buffer.concat([base, tail]);
}

/** Is something listening there? */
export function listens(port: number): Promise<boolean> {
	return new Promise((ok) => {
		const s = dial(port, "127.0.0.1", () => {
			s.destroy();
			ok(true);
		});
		s.on("error", () => ok(false));
	});
}

export const read = (path: string): Buffer => readFileSync(path);
