// A job as the lead and the auditor see it: the server's view, the steps with
// their entries, and every line as bytes, so that the root can be computed here.
// New lines come by a stream; where that cannot be had, they are asked for.

import { timestampMs } from "@bufbuild/protobuf/wkt";
import { useEffect, useState } from "preact/hooks";
import { type Bytes, bytes, hex, same, unbase64 } from "../../bytes";
import type { Plan_Connection, Plan_Line } from "../../gen/witnessmark/record/v1/plan_pb";
import type { Procedure, Section, Step as StepDef } from "../../gen/witnessmark/record/v1/procedure_pb";
import { type Job, Job_State as JobStateName, type JobView, type LineBytes, type StepView } from "../../gen/witnessmark/v1/jobs_pb";
import { Tree } from "../../record/merkle";
import { continueChain } from "../../store/outbox";
import { phone } from "../../store/phone";
import { type Desk, desk, isSignedOut } from "./desk";

export type Link = "loading" | "live" | "asking" | "lost";

/** A line of the record, as far as a reader needs it. */
export interface Line {
	seq: number;
	bytes: Bytes;
}

export interface StepOf {
	view: StepView;
	section: Section | undefined;
	def: StepDef | undefined;
	line: Plan_Line | undefined;
	connection: Plan_Connection | undefined;
}

/** How often lines are asked for without a stream, and how long after news the view is asked for. */
const ASK = 5_000;
const SETTLE = 350;

export class Review {
	view: JobView | undefined;
	steps: StepOf[] = [];
	byId = new Map<string, StepOf>();
	lines: Line[] = [];
	/** Root of `lines`, computed here. */
	root: Bytes | undefined;
	link: Link = "loading";
	failed: unknown;
	/** When the server last answered, this machine's clock. */
	contact = 0;
	/** What a person's id stands for, where the server said so. */
	names = new Map<string, string>();
	/** The lines that came while the screen was open, for "new since". */
	fresh = 0;
	private tree = new Tree();
	private listeners = new Set<() => void>();
	private stopped = false;
	private cut = new AbortController();
	private timer: ReturnType<typeof setTimeout> | undefined;
	private busy: Promise<void> | undefined;
	private users = 0;

	constructor(
		readonly name: string,
		readonly desk: Desk,
	) {}

	get job(): Job | undefined {
		return this.view?.job;
	}

	get procedure(): Procedure | undefined {
		return this.view?.procedure;
	}

	/** Locked or ended: nothing changes any more but addenda. */
	get closed(): boolean {
		return this.job?.state === JobStateName.LOCKED || this.job?.state === JobStateName.ENDED;
	}

	/** The root that the server names is the one computed here; undefined while it cannot be compared. */
	get agrees(): boolean | undefined {
		const head = this.view?.head;
		if (!head || !this.root || Number(head.size) !== this.lines.length) return undefined;
		return same(head.root, this.root);
	}

	subscribe(listener: () => void): () => void {
		this.listeners.add(listener);
		return () => this.listeners.delete(listener);
	}

	private told(): void {
		for (const l of this.listeners) l();
	}

	/** Begins to follow the job while someone looks at it. */
	open(): () => void {
		this.users++;
		if (this.users === 1) {
			this.stopped = false;
			this.cut = new AbortController();
			void this.follow();
		}
		return () => {
			this.users--;
			if (this.users > 0) return;
			this.stopped = true;
			this.cut.abort();
			clearTimeout(this.timer);
		};
	}

	private async follow(): Promise<void> {
		const { signal } = this.cut;
		while (!this.stopped && !signal.aborted) {
			try {
				await this.refresh();
				if (this.closed) {
					this.link = "live";
					this.told();
					return;
				}
				if (!this.desk.shared) await this.watch(signal);
				else {
					this.link = "asking";
					this.told();
					await pause(3 * ASK, signal);
				}
			} catch (error) {
				if (signal.aborted) return;
				this.failed = error;
				if (isSignedOut(error)) {
					this.link = "lost";
					this.told();
					return;
				}
				// The stream broke: lines are asked for, and the stream is tried again after a while.
				this.link = this.view ? "asking" : "lost";
				this.told();
				await pause(ASK, signal);
			}
		}
	}

	private async watch(signal: AbortSignal): Promise<void> {
		const stream = this.desk.jobs.watchJob({ job: this.name, after: BigInt(this.lines.length) }, { signal, timeoutMs: 0 });
		for await (const news of stream) {
			this.contact = Date.now();
			if (this.link !== "live") {
				this.link = "live";
				this.failed = undefined;
				this.told();
			}
			if (news.lines.length === 0) continue;
			this.fresh += news.lines.length;
			this.soon();
		}
	}

	/** Asks for the view a little after news; several news are one asking. */
	private soon(): void {
		clearTimeout(this.timer);
		this.timer = setTimeout(() => {
			this.refresh().catch((error: unknown) => {
				this.failed = error; // the picture before stays; the stream or the next asking brings it
				this.told();
			});
		}, SETTLE);
	}

	/** Gets view, steps and lines of one and the same size. One at a time: a second call waits for the first and then does its own. */
	refresh(): Promise<void> {
		const run = (this.busy ?? Promise.resolve()).catch(() => undefined).then(() => this.load());
		this.busy = run;
		return run;
	}

	private async load(): Promise<void> {
		for (let attempt = 0; ; attempt++) {
			const view = await this.desk.jobs.getJobView({ name: this.name });
			const size = Number(view.head?.size ?? 0n);
			const steps: StepView[] = [];
			let agreed = true;
			let pageToken = "";
			do {
				const page = await this.desk.jobs.listSteps({ job: this.name, pageSize: 1000, pageToken, withEntries: true });
				agreed &&= Number(page.size) === size;
				steps.push(...page.steps);
				pageToken = page.nextPageToken;
			} while (pageToken);
			await this.getLines(size);
			// Lines that came between the calls: once more, so that everything shown is of one moment.
			if ((!agreed || this.lines.length !== size) && attempt < 4) continue;
			this.use(view, steps);
			break;
		}
		await this.nameAll();
		this.contact = Date.now();
		this.failed = undefined;
		this.told();
	}

	private async getLines(until: number): Promise<void> {
		while (this.lines.length < until) {
			const page = await this.desk.jobs.listLines({ job: this.name, after: BigInt(this.lines.length), pageSize: 500 });
			if (page.lines.length === 0) throw new Error("the server did not give all lines");
			await this.add(page.lines);
		}
	}

	private async add(lines: readonly LineBytes[]): Promise<void> {
		for (const l of lines) {
			if (Number(l.seq) !== this.lines.length + 1) throw new Error(`line ${this.lines.length + 1} is missing`);
			const b = bytes(l.line);
			await this.tree.append(b);
			this.lines.push({ seq: Number(l.seq), bytes: b });
		}
		this.root = await this.tree.root();
	}

	private use(view: JobView, steps: StepView[]): void {
		// The procedure comes with each view; the one before is the same.
		this.view = view;
		const sections = new Map((view.procedure?.sections ?? []).map((s) => [s.id, s]));
		const plan = view.plan;
		const linesById = new Map((plan?.lines ?? []).map((l) => [l.id, l]));
		const connections = new Map((plan?.connections ?? []).map((c) => [c.id, c]));
		this.steps = steps.map((s) => {
			const section = sections.get(s.section);
			const connection = s.id.startsWith("connection:") ? connections.get(s.scope) : undefined;
			const line = s.id.startsWith("line:") ? linesById.get(s.scope) : connection ? linesById.get(connection.line) : undefined;
			return { view: s, section, def: section?.steps.find((d) => d.id === s.step), line, connection };
		});
		this.byId = new Map(this.steps.map((s) => [s.view.id, s]));
	}

	/** Names of the people, for who may not list them. A link's guest sees ids: the report has the names. */
	private async nameAll(): Promise<void> {
		if (this.desk.shared || !this.view) return;
		const wanted = new Set<string>();
		for (const c of this.view.climbs) for (const p of c.crew) wanted.add(p);
		for (const p of this.job?.people ?? []) wanted.add(p);
		for (const s of this.steps) for (const e of s.view.entries) if (e.entry?.author) wanted.add(e.entry.author);
		for (const name of wanted) {
			if (this.names.has(name) || phone.state.people.has(name) || phone.state.person?.name === name) continue;
			this.names.set(name, "");
			await this.desk.people.getPerson({ name }).then(
				(p) => this.names.set(name, p.title),
				() => undefined, // the id stands where the name cannot be had
			);
		}
	}

	/** Before the first entry on this machine: where the server's chain of this device ends. */
	async chain(): Promise<void> {
		const device = phone.state.session?.device ?? "";
		if (!device) return;
		const chain = await this.desk.jobs.getDeviceChain({ job: this.name });
		if (chain.counter > 0n) await continueChain(this.name, device, Number(chain.counter), bytes(chain.payloadDigest));
	}
}

function pause(ms: number, signal: AbortSignal): Promise<void> {
	return new Promise((done) => {
		const timer = setTimeout(done, ms);
		signal.addEventListener("abort", () => {
			clearTimeout(timer);
			done();
		});
	});
}

const reviews = new Map<string, Review>();

/** The review of a job, kept while the page is open. */
export function reviewOf(name: string, on: Desk = desk()): Review {
	const key = `${on.shared ? on.token() : (phone.state.session?.token ?? "")} ${name}`;
	let r = reviews.get(key);
	if (!r) {
		r = new Review(name, on);
		reviews.set(key, r);
	}
	return r;
}

export function useReview(name: string, on?: Desk): Review {
	const [, draw] = useState(0);
	const r = reviewOf(name, on);
	useEffect(() => {
		const off = r.subscribe(() => draw((n) => n + 1));
		const close = r.open();
		return () => {
			off();
			close();
		};
	}, [r]);
	return r;
}

/** What a line says, for a reader: its members as the server wrote them. */
export interface LineText {
	seq: number;
	received: string;
	kind: string;
	step: string;
	author: string;
	payload: string;
	attested: boolean;
	keyId: string;
	entry: Record<string, unknown>;
}

const MEMBERS = new Set([
	"id",
	"job",
	"step",
	"climb",
	"author",
	"device",
	"deviceTime",
	"clockOffset",
	"counter",
	"previous",
	"confirmedValue",
]);

/** Reads a line. The error says that it is not JSON of a line's form. */
export function readLine(line: Line): LineText {
	const text = new TextDecoder().decode(line.bytes);
	const o = JSON.parse(text) as { received?: unknown; payload?: unknown; attestedBy?: unknown; signatures?: { keyid?: unknown }[] };
	const payload = new TextDecoder().decode(unbase64(String(o.payload ?? "")));
	const entry = JSON.parse(payload) as Record<string, unknown>;
	return {
		seq: line.seq,
		received: String(o.received ?? ""),
		kind: Object.keys(entry).find((k) => !MEMBERS.has(k)) ?? "",
		step: String(entry.step ?? ""),
		author: String(entry.author ?? ""),
		payload,
		attested: o.attestedBy === "server",
		keyId: String(o.signatures?.[0]?.keyid ?? ""),
		entry,
	};
}

/** Begin of a root as people compare it: groups of four hex digits. */
export function shortRoot(root: Uint8Array | undefined, groups = 4): string {
	if (!root) return "";
	return (
		hex(root)
			.slice(0, groups * 4)
			.match(/.{4}/g) ?? []
	).join(" ");
}

export const timeOf = (t: { seconds: bigint; nanos: number } | undefined): number => (t ? timestampMs(t as never) : 0);
