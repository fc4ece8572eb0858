// What this phone knows, for the screens: session, jobs, what is unsent, how the
// sending goes. Screens read it and ask it to do things; it never draws.

import { create, fromBinary, fromJsonString, toBinary } from "@bufbuild/protobuf";
import { timestampMs } from "@bufbuild/protobuf/wkt";
import { useEffect, useState } from "preact/hooks";
import { bytes, hex, sha256, unbase64 } from "../bytes";
import { EntrySchema } from "../gen/witnessmark/record/v1/entry_pb";
import { type OrganizationSettings, OrganizationSettingsSchema } from "../gen/witnessmark/v1/devices_pb";
import {
	type Job,
	JobSchema,
	Job_State as JobStateName,
	type JobView,
	JobViewSchema,
	ListStepsResponseSchema,
	type StepView,
} from "../gen/witnessmark/v1/jobs_pb";
import { ListPeopleResponseSchema, type Person, PersonSchema } from "../gen/witnessmark/v1/people_pb";
import { type Instrument, ListInstrumentsResponseSchema } from "../gen/witnessmark/v1/setup_pb";
import type { Expansion } from "../record/expand";
import { climbsOf, type FoldInput, fold, type JobState, type LocalEntry } from "../record/fold";
import { connect, type Server, setToken } from "../sync/client";
import { Engine, type Progress } from "../sync/engine";
import { outcomeOf } from "../sync/outcome";
import { civilDay, type Language, languageOf } from "../text";
import { lastContact, loadClock, measured, serverNow } from "./clock";
import { database, keep, kept, openDatabase, type StoredEntry, type StoredFile, type StoredJob, write } from "./database";
import { filesOf, noteFile, storeFile } from "./files";
import { adoptKey, deviceKey, makeKey } from "./keys";
import { oneWriter } from "./lock";
import {
	append,
	continueChain,
	type EntryLine,
	entriesOf,
	type FileLine,
	type Options,
	readExported,
	type Statement,
	type Unsent,
	unsent,
} from "./outbox";

export interface Session {
	token: string;
	organization: string;
	/** PersonSchema, binary. */
	person: Uint8Array;
	device: string;
	deviceTitle: string;
	keyId: string;
	/** OrganizationSettingsSchema, binary. */
	settings: Uint8Array;
	serverVersion: string;
	/** The server has ended it: nothing is sent until a new code is entered. */
	over: boolean;
}

export interface Settings {
	language: Language;
	theme: "day" | "night";
	hand: "right" | "left";
}

/** Where the camera was opened: after a restart the client comes back here. */
export interface PhotoExpected {
	job: string;
	step: string;
	subject: string;
	since: number;
}

export interface PhoneState {
	ready: boolean;
	session: Session | undefined;
	person: Person | undefined;
	settings: Settings;
	/** This page may write; undefined until it is known. */
	writer: boolean | undefined;
	unsent: Unsent;
	progress: Progress;
	jobs: Job[];
	/** Jobs that are on this phone, with when they were had. */
	taken: ReadonlyMap<string, number>;
	people: ReadonlyMap<string, Person>;
	instruments: ReadonlyMap<string, Instrument>;
	/** A newer client waits. */
	update: boolean;
	/** Signed out, and the person goes on recording; nothing is sent until a new code is entered. */
	recordsOn: boolean;
	/** Does this browser keep what it is given? */
	keeps: boolean | undefined;
}

const DEFAULTS: Settings = { language: "en", theme: "day", hand: "right" };

interface LoadedJob {
	stored: StoredJob;
	job: Job;
	view: JobView;
	steps: StepView[];
	entries: StoredEntry[];
	local: LocalEntry[];
	files: StoredFile[];
	expansion: Expansion | undefined;
	expansionFor: string;
	state: JobState | undefined;
	stateAt: number;
}

export class Phone {
	private now: PhoneState = {
		ready: false,
		session: undefined,
		person: undefined,
		settings: DEFAULTS,
		writer: undefined,
		unsent: { entries: 0, files: 0, refused: 0 },
		progress: { phase: "idle", sent: 0, size: 0, why: "", contact: 0 },
		jobs: [],
		taken: new Map(),
		people: new Map(),
		instruments: new Map(),
		update: false,
		recordsOn: false,
		keeps: undefined,
	};
	private listeners = new Set<() => void>();
	private loaded = new Map<string, LoadedJob>();
	private codes = new Map<string, string>();
	private refreshTimers = new Map<string, ReturnType<typeof setTimeout>>();
	server: Server = undefined as never;
	engine: Engine = undefined as never;

	get state(): PhoneState {
		return this.now;
	}

	subscribe(listener: () => void): () => void {
		this.listeners.add(listener);
		return () => this.listeners.delete(listener);
	}

	private set(change: Partial<PhoneState>): void {
		this.now = { ...this.now, ...change };
		for (const l of this.listeners) l();
	}

	/** Reads everything from the database and begins to send. */
	async start(): Promise<void> {
		this.server = connect();
		this.engine = new Engine(this.server, {
			progress: (progress) => {
				const over = progress.phase === "signed-out" && this.now.progress.phase !== "signed-out";
				this.set({ progress });
				if (over) void this.sessionOver();
			},
			changed: (jobs) => void this.changed(jobs),
			code: (entry) => this.codes.get(entry) ?? "",
		});
		try {
			await loadClock();
			const settings = { ...DEFAULTS, language: languageOf(navigator.language), ...(await kept<Partial<Settings>>("settings")) };
			const session = await kept<Session>("session");
			// A session that was read is proof enough; a full phone could not write the mark.
			this.set({ settings, keeps: session ? true : await this.probe() });
			if (session) this.useSession(session);
			await this.readShared();
			await this.readTaken();
			this.set({ unsent: await unsent() });
		} catch {
			this.set({ keeps: false });
		}
		this.set({ ready: true });
		oneWriter((writer) => {
			this.set({ writer });
			if (writer) {
				this.engine.kick();
				void this.refreshJobs();
			}
		});
		addEventListener("online", () => this.wake());
		document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.wake());
	}

	private wake(): void {
		if (this.now.writer) this.engine.kick();
	}

	/** Writes, opens again and reads: false in a private window that keeps nothing. */
	private async probe(): Promise<boolean> {
		try {
			const mark = `${Date.now()}-${Math.random()}`;
			await keep("probe", mark);
			const db = await openDatabase();
			const back = await db.get("kept", "probe");
			db.close();
			return back === mark;
		} catch {
			return false;
		}
	}

	private useSession(session: Session): void {
		setToken(session.over ? "" : session.token);
		const person = fromBinary(PersonSchema, session.person);
		this.set({ session, person });
	}

	get organizationSettings(): OrganizationSettings | undefined {
		return this.now.session ? fromBinary(OrganizationSettingsSchema, this.now.session.settings) : undefined;
	}

	async saveSettings(change: Partial<Settings>): Promise<void> {
		const settings = { ...this.now.settings, ...change };
		this.set({ settings });
		await keep("settings", settings);
	}

	// --- session

	/** Trades a code for a session, with a new key of this phone; at a desk without one. */
	async enrol(code: string, title: string, withKey = true): Promise<void> {
		const key = withKey ? await makeKey(() => openDatabase()) : undefined;
		const answer = await this.server.devices.enroll({
			code: code.trim(),
			title: title.trim(),
			publicKey: key?.spki ?? bytes([]),
			cookie: true,
		});
		const session: Session = {
			token: answer.token,
			organization: answer.organization,
			person: toBinary(PersonSchema, answer.person ?? create(PersonSchema)),
			device: answer.device?.name ?? "",
			deviceTitle: answer.device?.title || title,
			keyId: key?.id ?? "",
			settings: toBinary(OrganizationSettingsSchema, create(OrganizationSettingsSchema)),
			serverVersion: "",
			over: false,
		};
		if (key) await adoptKey(key, { session });
		else await keep("session", session);
		this.useSession(session);
		const language = answer.person?.language;
		if (language && !(await kept("settings"))) await this.saveSettings({ language: languageOf(language) });
		if (navigator.storage?.persist) await keep("persisted", await navigator.storage.persist());
		this.engine.resume();
		await this.identify().catch(() => undefined); // asked again at the next contact
		await this.refreshJobs();
	}

	private async sessionOver(): Promise<void> {
		const s = this.now.session;
		if (!s || s.over) return;
		const session = { ...s, over: true };
		this.set({ session });
		setToken("");
		await keep("session", session);
	}

	/** Who am I, and the server's clock; tells the server how much is unsent. */
	async identify(): Promise<void> {
		const u = await unsent();
		const before = Date.now();
		const me = await this.server.devices.getIdentity({ unsentCount: BigInt(u.entries + u.files) });
		if (me.serverTime) measured(timestampMs(me.serverTime), before, Date.now());
		this.engine.contact();
		const s = this.now.session;
		if (!s || s.over) return;
		const session: Session = {
			...s,
			person: me.person ? toBinary(PersonSchema, me.person) : s.person,
			serverVersion: me.serverVersion,
			settings: me.settings ? toBinary(OrganizationSettingsSchema, me.settings) : s.settings,
		};
		this.useSession(session);
		await keep("session", session);
	}

	/** The session has ended, on a tower perhaps: the work is recorded all the same. */
	recordOn(): void {
		this.set({ recordsOn: true });
	}

	async signOut(): Promise<void> {
		await this.server.devices.signOut({});
		setToken("");
		await keep("session", undefined);
		this.set({ session: undefined, person: undefined });
	}

	// --- jobs

	private async readShared(): Promise<void> {
		const people = await kept<Uint8Array>("people");
		const instruments = await kept<Uint8Array>("instruments");
		if (people) this.set({ people: new Map(fromBinary(ListPeopleResponseSchema, people).people.map((p) => [p.name, p])) });
		if (instruments)
			this.set({ instruments: new Map(fromBinary(ListInstrumentsResponseSchema, instruments).instruments.map((i) => [i.name, i])) });
	}

	private async readTaken(): Promise<void> {
		const stored = await (await database()).getAll("jobs");
		this.set({
			taken: new Map(stored.filter((j) => j.taken).map((j) => [j.name, j.asOf])),
			jobs: stored.map((j) => fromBinary(JobSchema, j.job)).sort(jobOrder),
		});
	}

	/** Asks for the list of the person's jobs; keeps what it has when there is no answer. True when the server answered. */
	async refreshJobs(): Promise<boolean> {
		if (!this.now.session || this.now.session.over) return false;
		try {
			await this.identify();
			const jobs: Job[] = [];
			let pageToken = "";
			do {
				const page = await this.server.jobs.listJobs({ mine: true, pageSize: 200, pageToken });
				jobs.push(...page.jobs);
				pageToken = page.nextPageToken;
			} while (pageToken && jobs.length < 1000);
			const names = new Set(jobs.map((j) => j.name));
			// A job of which work is on this phone stays on the list, whatever the server says.
			const others = this.now.jobs.filter((j) => !names.has(j.name) && this.now.taken.has(j.name));
			for (const j of jobs) await this.storeJob(j);
			this.set({ jobs: [...jobs, ...others].sort(jobOrder) });
			await this.refreshShared();
			return true;
		} catch (error) {
			if (outcomeOf(error) === "sign-in") await this.sessionOver();
			return false;
		}
	}

	private async storeJob(job: Job): Promise<void> {
		await write(["jobs"], async (tx) => {
			const store = tx.objectStore("jobs");
			const have = await store.get(job.name);
			await store.put(
				have
					? { ...have, job: bytes(toBinary(JobSchema, job)) }
					: { name: job.name, job: bytes(toBinary(JobSchema, job)), view: bytes([]), steps: [], size: 0, asOf: 0, taken: false },
			);
		});
	}

	private async refreshShared(): Promise<void> {
		const people = create(ListPeopleResponseSchema);
		let pageToken = "";
		do {
			const page = await this.server.people.listPeople({ pageSize: 1000, pageToken });
			people.people.push(...page.people);
			pageToken = page.nextPageToken;
		} while (pageToken);
		const instruments = create(ListInstrumentsResponseSchema);
		do {
			const page = await this.server.setup.listInstruments({ pageSize: 1000, pageToken });
			instruments.instruments.push(...page.instruments);
			pageToken = page.nextPageToken;
		} while (pageToken);
		await keep("people", toBinary(ListPeopleResponseSchema, people));
		await keep("instruments", toBinary(ListInstrumentsResponseSchema, instruments));
		await this.readShared();
	}

	/** Takes a job onto the phone, or what is new of it. The error is the call's. */
	async takeJob(name: string): Promise<void> {
		const view = await this.server.jobs.getJobView({ name });
		const steps: StoredJob["steps"] = [];
		let pageToken = "";
		let size = Number(view.head?.size ?? 0n);
		do {
			const page = await this.server.jobs.listSteps({ job: name, pageSize: 1000, pageToken, withEntries: true });
			steps.push(bytes(toBinary(ListStepsResponseSchema, page)));
			size = Math.min(size, Number(page.size));
			pageToken = page.nextPageToken;
		} while (pageToken);
		const device = this.now.session?.device ?? "";
		if (device) {
			const chain = await this.server.jobs.getDeviceChain({ job: name });
			if (chain.counter > 0n) await continueChain(name, device, Number(chain.counter), bytes(chain.payloadDigest));
		}
		this.engine.contact();
		const stored: StoredJob = {
			name,
			job: bytes(toBinary(JobSchema, view.job!)),
			view: bytes(toBinary(JobViewSchema, view)),
			steps,
			size,
			asOf: view.asOfTime ? timestampMs(view.asOfTime) : serverNow(),
			taken: true,
		};
		await write(["jobs"], (tx) => tx.objectStore("jobs").put(stored));
		await this.loadJob(name);
		this.set({
			taken: new Map([...this.now.taken, [name, stored.asOf]]),
			jobs: this.now.jobs.map((j) => (j.name === name && view.job ? view.job : j)),
		});
	}

	/** Asks for news of a job a little later; several askings are one. */
	private refreshSoon(name: string): void {
		clearTimeout(this.refreshTimers.get(name));
		this.refreshTimers.set(
			name,
			setTimeout(() => {
				if (this.now.taken.has(name)) void this.takeJob(name).catch(() => undefined); // the old picture stays, with its time
			}, 1200),
		);
	}

	/** Reads a job from the database; what is loaded is replaced at once, so that no screen loses what is being entered. */
	async loadJob(name: string): Promise<boolean> {
		const stored = await (await database()).get("jobs", name);
		if (!stored?.taken) return false;
		const steps = stored.steps.flatMap((p) => fromBinary(ListStepsResponseSchema, p).steps);
		const loaded: LoadedJob = {
			stored,
			job: fromBinary(JobSchema, stored.job),
			view: fromBinary(JobViewSchema, stored.view),
			steps,
			entries: [],
			local: [],
			files: [],
			expansion: undefined,
			expansionFor: "",
			state: undefined,
			stateAt: 0,
		};
		await this.fill(loaded);
		this.loaded.set(name, loaded);
		this.set({});
		return true;
	}

	private async readEntries(name: string): Promise<void> {
		const l = this.loaded.get(name);
		if (!l) return;
		await this.fill(l);
		this.set({});
	}

	private async fill(l: LoadedJob): Promise<void> {
		const name = l.stored.name;
		const [entries, files] = [await entriesOf(name), await filesOf(name)];
		l.entries = entries;
		l.files = files;
		l.local = entries
			.filter((e) => e.state === "here" || (e.state === "sent" && e.seq > l.stored.size))
			.map((e) => {
				const entry = fromJsonString(EntrySchema, new TextDecoder().decode(e.payload));
				const off = entry.clockOffset ? Number(entry.clockOffset.seconds) * 1000 + entry.clockOffset.nanos / 1e6 : 0;
				return { entry, time: e.made + off, sent: e.state === "sent" };
			});
		l.state = undefined;
	}

	/** A job that was loaded, with its state; undefined before. */
	job(name: string):
		| {
				job: Job;
				view: JobView;
				state: JobState;
				entries: StoredEntry[];
				files: StoredFile[];
				asOf: number;
				zone: string;
				input: FoldInput;
		  }
		| undefined {
		const l = this.loaded.get(name);
		if (!l?.view.procedure || !l.view.plan) return undefined;
		const input = this.foldInput(l);
		// Holds end by the clock: at most half a minute old.
		if (!l.state || Math.abs(input.now - l.stateAt) > 30_000) {
			const climbs = climbsOf(l.view, l.local)
				.map((c) => c.id)
				.join(" ");
			const plans = l.local.filter((e) => e.entry.kind.case === "planRevised").length;
			const key = `${climbs}|${plans}`;
			if (l.expansionFor !== key) l.expansion = undefined;
			l.state = fold({ ...input, expansion: l.expansion });
			l.stateAt = input.now;
			l.expansion = l.state.expansion;
			l.expansionFor = key;
		}
		return { job: l.job, view: l.view, state: l.state, entries: l.entries, files: l.files, asOf: l.stored.asOf, zone: l.job.zone, input };
	}

	private foldInput(l: LoadedJob): FoldInput {
		return {
			view: l.view,
			steps: l.steps,
			local: l.local,
			me: this.now.person?.name ?? "",
			now: serverNow(),
			settings: this.organizationSettings,
			instruments: this.now.instruments,
			day: (t) => civilDay(t, l.job.zone),
		};
	}

	private async changed(jobs: string[]): Promise<void> {
		for (const j of jobs) {
			await this.readEntries(j);
			this.refreshSoon(j);
		}
		this.set({ unsent: await unsent() });
	}

	// --- entries

	/** Makes an entry; when it returns, it is on the disk. The error is the store's. */
	async say(
		job: string,
		s: Omit<Statement, "job" | "author" | "device"> & { author?: string },
		options: Options = {},
		code = "",
	): Promise<StoredEntry> {
		if (!this.now.writer) throw new Error("another window of this phone writes");
		const session = this.now.session;
		const person = this.now.person;
		if (!session || !person) throw new Error("nobody is signed in");
		const entry = await append({ ...s, job, author: s.author ?? person.name, device: session.device }, options);
		if (code) this.codes.set(entry.id, code);
		await this.readEntries(job);
		this.set({ unsent: await unsent() });
		this.engine.kick();
		return entry;
	}

	/** What was stored beside the entries changed, such as a photo. */
	async filesChanged(job: string): Promise<void> {
		await this.readEntries(job);
		this.set({ unsent: await unsent() });
	}

	// --- photo expected

	expectPhoto(p: PhotoExpected | undefined): Promise<void> {
		return keep("photo-expected", p);
	}

	photoExpected(): Promise<PhotoExpected | undefined> {
		return kept<PhotoExpected>("photo-expected");
	}

	// --- last used

	/** Remembers a tool or instrument for its kind: 'same as last'. Never a reading. */
	async remember(kind: string, instrument: string): Promise<void> {
		await keep(`last:${kind}`, instrument);
	}

	last(kind: string): Promise<string | undefined> {
		return kept<string>(`last:${kind}`);
	}

	// --- import at the office

	/** Brings in unsent work of another phone. What is here already is left as it is. The error says what is wrong first; all the rest is kept. */
	async bringIn(text: string): Promise<{ entries: number; files: number }> {
		const got = { entries: 0, files: 0 };
		const wrong: unknown[] = [];
		try {
			for (const line of readExported(text)) {
				try {
					if ("payload" in line) got.entries += await this.bringEntry(line);
					else got.files += await this.bringFile(line);
				} catch (error) {
					wrong.push(error);
				}
			}
			if (wrong.length > 0) throw wrong[0];
		} finally {
			this.set({ unsent: await unsent() });
			this.engine.kick();
		}
		return got;
	}

	private async bringEntry(e: EntryLine): Promise<number> {
		const payload = unbase64(e.payload);
		const stored: StoredEntry = {
			id: e.id,
			job: e.job,
			device: String(e.device ?? ""),
			counter: Number(e.counter) || 0,
			step: String(e.step ?? ""),
			kind: String(e.kind ?? ""),
			payload,
			digest: await sha256(payload),
			signature: unbase64(e.signature ?? ""),
			keyId: String(e.keyId ?? ""),
			state: "here",
			made: Number(e.made) || Date.now(),
			seq: 0,
			reason: "",
			sentence: "",
			permanent: false,
			keptAside: false,
			assessment: bytes([]),
			notBefore: 0,
		};
		return write(["entries"], async (tx) => {
			if (await tx.objectStore("entries").get(stored.id)) return 0;
			await tx.objectStore("entries").add(stored);
			return 1;
		});
	}

	private async bringFile({ file: f, bytes: content }: FileLine): Promise<number> {
		const raw = unbase64(content);
		if (hex(await sha256(raw)) !== f.digest) throw new Error(`the bytes of ${f.digest.slice(0, 8)} are damaged`);
		if (await (await database()).get("files", f.digest)) return 0;
		await storeFile(raw, {
			job: f.job,
			step: f.step,
			subject: f.subject,
			purpose: f.purpose === "trace" ? "trace" : "photo",
			mediaType: f.mediaType,
		});
		await noteFile(f.digest, { entry: f.entry });
		return 1;
	}

	// --- update

	updateReady(): void {
		this.set({ update: true });
	}

	lastContact(): number | undefined {
		return lastContact();
	}

	key() {
		return deviceKey();
	}
}

function jobOrder(a: Job, b: Job): number {
	const closed = (j: Job) => (j.state === JobStateName.LOCKED || j.state === JobStateName.ENDED ? 1 : 0);
	return closed(a) - closed(b) || b.day.localeCompare(a.day) || a.title.localeCompare(b.title);
}

export const phone = new Phone();

/** The phone's state; the component draws again when it changes. */
export function usePhone(): PhoneState {
	const [, draw] = useState(0);
	useEffect(() => phone.subscribe(() => draw((n) => n + 1)), []);
	return phone.state;
}

/** A job with its state; undefined while it is read, null when it is not on this phone. */
export function useJob(name: string): NonNullable<ReturnType<Phone["job"]>> | undefined | null {
	usePhone();
	const [missing, setMissing] = useState(false);
	useEffect(() => {
		let gone = false;
		setMissing(false);
		if (!phone.job(name)) void phone.loadJob(name).then((ok) => !gone && !ok && setMissing(true));
		return () => {
			gone = true;
		};
	}, [name]);
	return phone.job(name) ?? (missing ? null : undefined);
}
