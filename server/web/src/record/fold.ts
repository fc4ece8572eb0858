// How a job stands as this phone sees it: what the server last computed, with
// the entries on top that only this phone has. The server's word counts; this
// fold says what is open and what holds when it cannot be asked.

import { timestampMs } from "@bufbuild/protobuf/wkt";
import { type Entry, Confirmed_Outcome as Outcome } from "../gen/witnessmark/record/v1/entry_pb";
import { StepState as S, Verdict } from "../gen/witnessmark/record/v1/line_pb";
import { Quantity } from "../gen/witnessmark/record/v1/measure_pb";
import type { Plan } from "../gen/witnessmark/record/v1/plan_pb";
import { Step_Doer as Doer, Section_Repeat as Repeat } from "../gen/witnessmark/record/v1/procedure_pb";
import type { OrganizationSettings } from "../gen/witnessmark/v1/devices_pb";
import type { JobView, StepView } from "../gen/witnessmark/v1/jobs_pb";
import type { Instrument } from "../gen/witnessmark/v1/setup_pb";
import { type Expansion, expand, type Step } from "./expand";
import { type Judgement, judgeReading, judgeTorque, type Pinned } from "./judge";
import { convert, round6 } from "./units";

/** An entry that this phone made and that the server's picture does not hold yet. */
export interface LocalEntry {
	readonly entry: Entry;
	/** Corrected time, milliseconds. */
	readonly time: number;
	/** The server has it; only the picture is older. */
	readonly sent: boolean;
}

/** One entry on a step, from the server or from here. */
export interface FoldEntry {
	readonly entry: Entry;
	readonly time: number;
	readonly verdict: Verdict;
	readonly sentence: string;
	readonly withdrawn: boolean;
	readonly local: boolean;
	readonly onlyHere: boolean;
	readonly judgement?: Judgement | undefined;
	readonly seq: number;
}

export interface StepStatus {
	readonly step: Step;
	readonly state: S;
	readonly verdict: Verdict;
	/** The server's sentence; empty when the phone computed the state. */
	readonly sentence: string;
	readonly advice: string;
	readonly entries: readonly FoldEntry[];
	/** Worked out here: the server has not yet said. */
	readonly local: boolean;
	readonly judgement?: Judgement | undefined;
	/** People who still have to acknowledge. */
	readonly missing: readonly string[];
	readonly deviationAsked: boolean;
	readonly view?: StepView | undefined;
}

export interface ClimbState {
	readonly id: string;
	readonly crew: readonly string[];
	readonly opened: number;
	readonly closed: number | undefined;
}

/** One thing that a hold waits for. */
export interface Need {
	readonly status: StepStatus;
	/** Why: not entered, out of limits, not proven, over since, or waits for others. */
	readonly why: "open" | "bad" | "not-proven" | "over" | "missing" | "waiting";
	/** When the last good entry stopped holding, milliseconds. */
	readonly since?: number | undefined;
}

export interface Hold {
	readonly gate: string;
	readonly climb: string;
	readonly kind: "gate" | "stopped" | "server";
	readonly needs: readonly Need[];
	/** The server's words, for what the phone does not compute. */
	readonly sentence: string;
	readonly since?: number | undefined;
}

export interface JobState {
	readonly expansion: Expansion;
	readonly plan: Plan;
	readonly steps: readonly StepStatus[];
	readonly byId: ReadonlyMap<string, StepStatus>;
	readonly climbs: readonly ClimbState[];
	/** The open climb that the person is on, else any open one. */
	readonly climb: ClimbState | undefined;
	readonly holds: readonly Hold[];
	readonly stopped: boolean;
	readonly done: number;
	readonly required: number;
	readonly finished: boolean;
}

export interface FoldInput {
	view: JobView;
	steps: readonly StepView[];
	local: readonly LocalEntry[];
	me: string;
	/** Best guess of the server's time, milliseconds. */
	now: number;
	settings?: OrganizationSettings | undefined;
	instruments: ReadonlyMap<string, Instrument>;
	/** Civil date at the site of a moment, YYYY-MM-DD. */
	day(time: number): string;
	/** Kept between folds of the same picture and climbs. */
	expansion?: Expansion | undefined;
}

const GOOD: ReadonlySet<S> = new Set([S.COMPLETE, S.NOT_NEEDED, S.DEVIATING]);

/** Complete, deviating with the lead's word, or not needed. */
export const isDone = (s: S) => GOOD.has(s);

export function climbsOf(view: JobView, local: readonly LocalEntry[]): ClimbState[] {
	const climbs = view.climbs.map((c) => ({
		id: c.id,
		crew: [...c.crew],
		opened: c.openTime ? timestampMs(c.openTime) : 0,
		closed: c.closeTime ? timestampMs(c.closeTime) : undefined,
	}));
	for (const l of local) {
		const k = l.entry.kind;
		if (k.case === "climbOpened" && !climbs.some((c) => c.id === l.entry.id))
			climbs.push({ id: l.entry.id, crew: [...k.value.crew], opened: l.time, closed: undefined });
		const climb = climbs.find((c) => c.id === l.entry.climb);
		if (k.case === "crewChanged" && climb) climb.crew = [...k.value.crew];
		if (k.case === "climbClosed" && climb && climb.crew.every((p) => k.value.down.includes(p))) climb.closed ??= l.time;
	}
	return climbs;
}

export function fold(input: FoldInput): JobState {
	const { view, local } = input;
	const plan = [...local].reverse().find((l) => l.entry.kind.case === "planRevised")?.entry.kind.value;
	const thePlan = (plan && "plan" in plan ? (plan.plan as Plan | undefined) : undefined) ?? view.plan!;
	const climbs = climbsOf(view, local);
	const views = new Map(input.steps.map((s) => [s.id, s]));
	const expansion =
		input.expansion ??
		expand(
			view.procedure!,
			thePlan,
			climbs.map((c) => c.id),
			views,
		);
	const withdrawn = new Set<string>();
	const touched = new Map<string, LocalEntry[]>();
	for (const l of local) {
		const k = l.entry.kind;
		if (k.case === "withdrawn") withdrawn.add(k.value.entry);
		if (l.entry.step) touched.set(l.entry.step, [...(touched.get(l.entry.step) ?? []), l]);
	}

	const steps = expansion.steps.map((step) => statusOf(step, views.get(step.id), touched.get(step.id) ?? [], withdrawn, input, climbs));
	const byId = new Map(steps.map((s) => [s.step.id, s]));

	const stop = stopState(view, local, withdrawn);
	const open = climbs.filter((c) => c.closed === undefined);
	const climb = [...open].reverse().find((c) => c.crew.includes(input.me)) ?? open.at(-1);
	const holds = holdsOf(input, expansion, byId, open, stop);
	const required = steps.filter((s) => s.step.required);
	return {
		expansion,
		plan: thePlan,
		steps,
		byId,
		climbs,
		climb,
		holds,
		stopped: stop.stopped,
		done: required.filter((s) => isDone(s.state)).length,
		required: required.length,
		finished: (view.job?.state ?? 0) >= 2 || local.some((l) => l.entry.kind.case === "finished" && !withdrawn.has(l.entry.id)),
	};
}

function stopState(
	view: JobView,
	local: readonly LocalEntry[],
	withdrawn: ReadonlySet<string>,
): { stopped: boolean; since?: number; reason: string } {
	let stopped = view.stopped;
	let since: number | undefined;
	let reason = "";
	for (const l of local) {
		if (withdrawn.has(l.entry.id)) continue;
		if (l.entry.kind.case === "workStopped") {
			stopped = true;
			since = l.time;
			reason = l.entry.kind.value.reason;
		}
		if (l.entry.kind.case === "workResumed") stopped = false;
	}
	return since === undefined ? { stopped, reason } : { stopped, since, reason };
}

function statusOf(
	step: Step,
	view: StepView | undefined,
	mine: readonly LocalEntry[],
	withdrawn: ReadonlySet<string>,
	input: FoldInput,
	climbs: readonly ClimbState[],
): StepStatus {
	const server: FoldEntry[] = (view?.entries ?? []).flatMap((e) =>
		e.entry
			? [
					{
						entry: e.entry,
						time: e.time ? timestampMs(e.time) : 0,
						verdict: e.verdict,
						sentence: e.sentence,
						withdrawn: e.withdrawn || withdrawn.has(e.entry.id),
						local: false,
						onlyHere: false,
						seq: Number(e.seq),
					},
				]
			: [],
	);
	const known = new Set(server.map((e) => e.entry.id));
	const here: FoldEntry[] = mine
		.filter((l) => !known.has(l.entry.id))
		.map((l) => {
			const judgement = judgeEntry(step, l.entry, l.time, input);
			return {
				entry: l.entry,
				time: l.time,
				verdict: judgement && !judgement.later ? judgement.verdict : Verdict.VERDICT_UNSPECIFIED,
				sentence: "",
				withdrawn: withdrawn.has(l.entry.id),
				local: true,
				onlyHere: !l.sent,
				judgement,
				seq: 0,
			};
		});
	const entries = [...server, ...here];
	const deviationAsked = entries.some((e) => e.entry.kind.case === "deviationAsked" && !e.withdrawn);
	const fresh = here.length > 0 || server.some((e) => e.withdrawn && withdrawn.has(e.entry.id));
	const computed = compute(step, entries, climbs, input);
	if (view && !fresh) {
		return {
			step,
			state: view.state || S.OPEN,
			verdict: view.verdict,
			sentence: view.sentence,
			advice: view.advice,
			entries,
			local: false,
			missing: isDone(view.state) ? [] : computed.missing,
			deviationAsked,
			view,
		};
	}
	return { step, ...computed, sentence: "", advice: "", entries, local: here.length > 0, deviationAsked, view };
}

interface Computed {
	state: S;
	verdict: Verdict;
	judgement?: Judgement | undefined;
	missing: string[];
}

function compute(step: Step, all: readonly FoldEntry[], climbs: readonly ClimbState[], input: FoldInput): Computed {
	const counted = all.filter((e) => !e.withdrawn);
	const last = <K extends Entry["kind"]["case"]>(kind: K) => counted.filter((e) => e.entry.kind.case === kind).at(-1);
	const plain = (state: S, verdict = Verdict.VERDICT_UNSPECIFIED): Computed => ({ state, verdict, missing: [] });
	const k = step.def.kind;
	switch (k.case) {
		case "confirm": {
			const c = last("confirmed")?.entry.kind;
			if (c?.case !== "confirmed") return plain(S.OPEN);
			if (c.value.outcome === Outcome.DONE) return plain(S.COMPLETE);
			if (c.value.outcome === Outcome.NOT_APPLICABLE && k.value.allowNotApplicable) return plain(S.NOT_NEEDED);
			return plain(S.OUT_OF_LIMITS);
		}
		case "acknowledge": {
			const crew = climbs.find((c) => c.id === step.scopeId)?.crew ?? [...new Set(climbs.flatMap((c) => c.crew))];
			const said = new Map<string, FoldEntry>();
			for (const e of counted) if (e.entry.kind.case === "acknowledged") said.set(e.entry.kind.value.person || e.entry.author, e);
			const missing = crew.filter((p) => !said.has(p));
			// What another said on this phone counts when the server has checked his own code.
			const unsure = crew.some((p) => p !== input.me && said.get(p)?.local);
			const notFit = [...said.values()].some((e) => e.entry.kind.case === "acknowledged" && e.entry.kind.value.fitness === 2);
			if (notFit) return { state: S.OUT_OF_LIMITS, verdict: Verdict.VERDICT_UNSPECIFIED, missing };
			if (missing.length > 0 || crew.length === 0) return { state: S.OPEN, verdict: Verdict.VERDICT_UNSPECIFIED, missing };
			return plain(unsure ? S.WAITING : S.COMPLETE);
		}
		case "reading": {
			const wanted = k.value.eachWavelength ? (step.line?.wavelengthsNanometers ?? []) : [];
			const directions = k.value.bothDirections ? [1, 2] : [0];
			const slots =
				wanted.length > 0 ? wanted.flatMap((w) => directions.map((d) => [w, d] as const)) : directions.map((d) => [0, d] as const);
			const readings = counted.filter((e) => e.entry.kind.case === "readingTaken");
			if (readings.length === 0) return plain(S.OPEN);
			if (slots.length === 1) return ofReading(readings.at(-1)!);
			let worst: Computed = plain(S.COMPLETE, Verdict.PASS);
			for (const [w, d] of slots) {
				const found = readings.filter((e) => {
					const r = e.entry.kind.value as { wavelength?: { value: number }; direction: number };
					return (w === 0 || round6(r.wavelength?.value ?? 0) === round6(w)) && (d === 0 || r.direction === d);
				});
				const c = found.length === 0 ? plain(S.OPEN) : ofReading(found.at(-1)!);
				if (severity(c.state) > severity(worst.state)) worst = c;
			}
			return { ...worst, judgement: readings.at(-1)?.judgement };
		}
		case "torque": {
			const t = last("torqueApplied");
			return t ? ofReading(t) : plain(S.OPEN);
		}
		case "photo": {
			const have = (id: string) => counted.filter((e) => e.entry.kind.case === "photoAttached" && e.entry.kind.value.subject === id).length;
			return plain(k.value.subjects.every((s) => have(s.id) >= Math.max(1, s.count)) ? S.WAITING : S.OPEN);
		}
		case "trace":
			return plain(last("traceAttached") ? S.WAITING : S.OPEN);
		case "kitCheck":
			return plain(last("kitChecked") ? S.WAITING : S.OPEN);
		case "choice": {
			const a = last("answered")?.entry.kind;
			if (a?.case !== "answered") return plain(S.OPEN);
			return plain(k.value.options.find((o) => o.id === a.value.choice)?.good ? S.COMPLETE : S.OUT_OF_LIMITS);
		}
		case "text": {
			const a = last("answered")?.entry.kind;
			return plain(a?.case === "answered" && [...a.value.text.trim()].length >= Math.max(1, k.value.minLength) ? S.COMPLETE : S.OPEN);
		}
		default:
			return plain(S.OPEN);
	}
}

function ofReading(e: FoldEntry): Computed {
	const base = { verdict: e.verdict, judgement: e.judgement, missing: [] as string[] };
	if (e.judgement?.later) return { ...base, verdict: Verdict.VERDICT_UNSPECIFIED, state: S.WAITING };
	switch (e.verdict) {
		case Verdict.PASS:
		case Verdict.RECORDED:
		case Verdict.PASS_NOT_PROVEN:
			return { ...base, state: e.judgement?.toolFlag ? S.WAITING : S.COMPLETE };
		case Verdict.FAIL:
		case Verdict.NOT_MEASURABLE:
			return { ...base, state: S.OUT_OF_LIMITS };
		default:
			return { ...base, state: S.WAITING };
	}
}

function severity(s: S): number {
	return s === S.OUT_OF_LIMITS ? 3 : s === S.OPEN ? 2 : s === S.WAITING ? 1 : 0;
}

/** What the phone itself says of a reading or torque; undefined for other kinds. */
export function judgeEntry(
	step: Step,
	e: Entry,
	time: number,
	input: Pick<FoldInput, "view" | "instruments" | "day">,
): Judgement | undefined {
	const k = e.kind;
	if (k.case === "readingTaken" && step.def.kind.case === "reading") {
		const pin = pinned(k.value.instrument, step, input, time);
		const limit = step.limit.known ? step.limit.bound : undefined;
		const j = judgeReading(step.def.kind.value.quantity, k.value, e.confirmedValue, limit, pin, new Date(time), input.day(time));
		return step.limit.known ? j : { ...j, later: true };
	}
	if (k.case === "torqueApplied" && step.def.kind.case === "torque") {
		const pin = pinned(k.value.tool, step, input, time);
		const limit = step.limit.known ? step.limit.bound : undefined;
		const j = judgeTorque(k.value, e.confirmedValue, step.connection?.interface ?? "", limit, pin, input.day(time));
		return step.limit.known ? j : { ...j, later: true };
	}
	return undefined;
}

/** The facts about an instrument and its kit that the phone has. */
export function pinned(instrument: string, step: Step, input: Pick<FoldInput, "view" | "instruments">, time: number): Partial<Pinned> {
	const i = input.instruments.get(instrument);
	const unit = step.limit.known ? step.limit.bound?.unit : undefined;
	const inUnit = (m: { value: number; unit: number } | undefined) => (m && unit !== undefined ? convert(m.value, m.unit, unit) : undefined);
	const out: { -readonly [K in keyof Pinned]?: Pinned[K] } = {};
	if (i?.calibratedUntil) out.toolCalibratedUntil = i.calibratedUntil;
	if (i?.toolClass) out.toolClass = i.toolClass;
	if (i?.expandedUncertainty !== undefined) out.expandedUncertainty = i.expandedUncertainty;
	const max = inUnit(i?.maximum);
	const min = inUnit(i?.minimum);
	if (max !== undefined) out.toolMaximum = max;
	if (min !== undefined) out.toolMinimum = min;
	const needsKit = step.def.kind.case === "reading" && step.def.kind.value.needsKitCheck;
	if (needsKit || (step.def.kind.case === "reading" && step.def.kind.value.quantity === Quantity.INTERMODULATION)) {
		const kit = [...input.view.kits].reverse().find((k) => instrument !== "" && k.instruments.includes(instrument));
		if (kit) {
			out.kitState = kit.state === 1 ? "FIT" : kit.state === 2 ? "MARGINAL" : kit.state === 3 ? "NOT_FIT" : "NONE";
			if (kit.residualDbc !== undefined) out.residual = kit.residualDbc;
			if (kit.untilTime && time > 0) out.kitHoldsUntil = new Date(timestampMs(kit.untilTime));
		}
	}
	return out;
}

// --- holds

function holdsOf(
	input: FoldInput,
	x: Expansion,
	byId: ReadonlyMap<string, StepStatus>,
	open: readonly ClimbState[],
	stop: { stopped: boolean; since?: number; reason: string },
): Hold[] {
	const out: Hold[] = [];
	const { view } = input;
	if (stop.stopped) {
		const server = view.holds.find((h) => h.gate === "work-stopped");
		out.push({
			gate: "work-stopped",
			climb: "",
			kind: "stopped",
			needs: [],
			sentence: stop.reason || (stop.since ? "" : (server?.sentence ?? "")),
			since: stop.since ?? (server?.sinceTime ? timestampMs(server.sinceTime) : undefined),
		});
	}
	const seen = new Set<string>();
	const gate = (instance: string, climb: string) => {
		if (seen.has(instance)) return;
		seen.add(instance);
		const needs = needsOf(instance, x, byId, input);
		if (needs.length > 0 || !x.byInstance.has(instance)) out.push({ gate: instance, climb, kind: "gate", needs, sentence: "" });
	};
	const sections = view.procedure?.sections ?? [];
	const bySection = new Map(sections.map((s) => [s.id, s]));
	for (const c of open) {
		for (const s of sections) {
			if (!s.onStructure) continue;
			for (const r of s.requires) if (bySection.get(r)?.repeat === Repeat.CLIMB) gate(`climb:${c.id}/${r}`, c.id);
		}
	}
	for (const s of x.steps) {
		if (!s.required || s.section.requires.length === 0) continue;
		const status = byId.get(s.id)!;
		if (isDone(status.state)) continue;
		for (const g of x.requires(s.instance, "")) if (!g.startsWith("climb:")) gate(g, "");
	}
	// What only the server can know, such as a qualification.
	for (const h of view.holds) {
		if (!h.gate.startsWith("qualification:")) continue;
		if (open.some((c) => c.id === h.climb))
			out.push({
				gate: h.gate,
				climb: h.climb,
				kind: "server",
				needs: [],
				sentence: h.sentence,
				since: h.sinceTime ? timestampMs(h.sinceTime) : undefined,
			});
	}
	return out;
}

/** What a gate still waits for; empty when its condition is met as entered. */
export function needsOf(
	instance: string,
	x: Expansion,
	byId: ReadonlyMap<string, StepStatus>,
	input: Pick<FoldInput, "now" | "settings" | "view">,
): Need[] {
	const out: Need[] = [];
	for (const step of x.byInstance.get(instance) ?? []) {
		if (!step.required) continue;
		const status = byId.get(step.id)!;
		if (status.missing.length > 0) out.push({ status, why: "missing" });
		else if (status.state === S.WAITING) out.push({ status, why: "waiting" });
		else if (status.state === S.OUT_OF_LIMITS || status.state === S.DEVIATING) out.push({ status, why: "bad" });
		else if (status.state !== S.COMPLETE && status.state !== S.NOT_NEEDED) out.push({ status, why: "open" });
		else if (isReading(step) && status.verdict !== Verdict.PASS) out.push({ status, why: "not-proven" });
		else {
			const until = holdsUntil(status, input);
			if (until !== undefined && input.now >= until) out.push({ status, why: "over", since: until });
		}
	}
	return out;
}

const isReading = (s: Step) => s.def.kind.case === "reading" || s.def.kind.case === "torque" || s.def.kind.case === "trace";

/** Until when a good entry holds, milliseconds; undefined: for the whole climb or job. */
export function holdsUntil(status: StepStatus, input: Pick<FoldInput, "settings" | "view">): number | undefined {
	const k = status.step.def.kind;
	if (k.case === "kitCheck") {
		const ends = input.view.kits.flatMap((kit) => (kit.untilTime ? [timestampMs(kit.untilTime)] : []));
		return ends.length > 0 ? Math.max(...ends) : undefined;
	}
	let minutes = status.step.def.holdsMinutes;
	if (k.case === "reading" && k.value.quantity === Quantity.WIND_SPEED) minutes = input.settings?.windHoldsMinutes || minutes || 60;
	if (minutes <= 0) return undefined;
	const last = status.entries.filter((e) => !e.withdrawn && e.entry.kind.case !== "note" && e.entry.kind.case !== "withdrawn").at(-1);
	return last ? last.time + minutes * 60_000 : undefined;
}

/** Whether a person may do a step: the lead's own steps are shown to all and done by him. */
export const doerOf = (s: Step): "lead" | "each" | "crew" =>
	s.def.doer === Doer.LEAD ? "lead" : s.def.doer === Doer.EACH || s.def.kind.case === "acknowledge" ? "each" : "crew";

/** Steps that want something from the crew now, in the order of the work: this place first. */
export function todo(state: JobState, place?: string): StepStatus[] {
	const open = state.steps.filter((s) => wants(s) && s.step.required);
	if (!place) return open;
	const here = open.filter((s) => s.step.scopeId === place);
	return [...here, ...open.filter((s) => s.step.scopeId !== place)];
}

/** Something is to be done on it by a person with a phone; what waits for the server is not. */
export function wants(s: StepStatus): boolean {
	if (s.state === S.OUT_OF_LIMITS) return !s.deviationAsked;
	return s.state === S.OPEN || s.state === S.RETURNED || s.state === S.STEP_STATE_UNSPECIFIED;
}
