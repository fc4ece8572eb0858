import { create, fromJson } from "@bufbuild/protobuf";
import { describe, expect, it } from "vitest";
import { plan, procedure } from "../../e2e/world";
import { EntrySchema } from "../gen/witnessmark/record/v1/entry_pb";
import { StepState as S, Verdict } from "../gen/witnessmark/record/v1/line_pb";
import { JobViewSchema, StepViewSchema } from "../gen/witnessmark/v1/jobs_pb";
import { InstrumentSchema } from "../gen/witnessmark/v1/setup_pb";
import { type FoldInput, fold, type LocalEntry, todo } from "./fold";

const { _connections: _, ...doc } = procedure(4);
const START = Date.parse("2026-03-03T07:00:00Z");
const MINUTE = 60_000;
const view = (more: object = {}) =>
	fromJson(JobViewSchema, {
		job: { name: "jobs/j", zone: "Europe/Madrid" },
		procedure: doc,
		plan: plan(4),
		climbs: [{ id: "c1", crew: ["people/ike", "people/noa"], openTime: "2026-03-03T07:00:00Z" }],
		...more,
	} as never);

let id = 0;
const local = (minutes: number, step: string, kind: object, more: object = {}): LocalEntry => ({
	entry: fromJson(EntrySchema, { id: `e${++id}`, step, author: "people/ike", ...kind, ...more } as never),
	time: START + minutes * MINUTE,
	sent: false,
});
const input = (entries: LocalEntry[], at = 5, more: Partial<FoldInput> = {}): FoldInput => ({
	view: view(),
	steps: [],
	local: entries,
	me: "people/ike",
	now: START + at * MINUTE,
	instruments: new Map(),
	day: () => "2026-03-03",
	...more,
});
const known = (person: string, minutes = 1, more = {}) =>
	local(minutes, "climb:c1/briefing/known", { acknowledged: { person, fitness: "FIT" } }, { author: person, ...more });
const wind = (value: number, minutes: number) =>
	local(minutes, "climb:c1/weather/wind", { readingTaken: { typed: `${value} m/s`, value, unit: "METERS_PER_SECOND" } });
const state = (entries: LocalEntry[], step: string, more: Partial<FoldInput> = {}) => fold(input(entries, 5, more)).byId.get(step)!;
const gates = (entries: LocalEntry[], at = 5, more: Partial<FoldInput> = {}) => fold(input(entries, at, more)).holds.map((h) => h.gate);

describe("steps as the phone sees them", () => {
	const torque = "connection:A1-top/couple/torque";
	const applied = (value: number, minutes = 1) =>
		local(minutes, torque, { torqueApplied: { typed: `${value} N·m`, value, unit: "NEWTON_METERS" } });
	it("are open, then complete, then out of limits: the last counts", () => {
		expect(state([], torque).state).toBe(S.OPEN);
		expect(state([applied(25)], torque)).toMatchObject({ state: S.COMPLETE, verdict: Verdict.PASS, local: true });
		expect(state([applied(25), applied(40, 2)], torque)).toMatchObject({ state: S.OUT_OF_LIMITS, verdict: Verdict.FAIL });
	});
	it("are open again when the entry was mistyped", () => {
		const slip = applied(52);
		const back = local(2, torque, { withdrawn: { entry: slip.entry.id, reason: "mistyped", mistyped: true } });
		expect(state([slip, back], torque).state).toBe(S.OPEN);
		expect(state([slip, back, applied(25, 3)], torque).state).toBe(S.COMPLETE);
	});
	it("wait for the server with a tool out of calibration", () => {
		const instruments = new Map([["instruments/w", create(InstrumentSchema, { name: "instruments/w", calibratedUntil: "2026-03-02" })]]);
		const e = local(1, torque, { torqueApplied: { typed: "25 N·m", value: 25, unit: "NEWTON_METERS", tool: "instruments/w" } });
		expect(state([e], torque, { instruments })).toMatchObject({ state: S.WAITING, verdict: Verdict.PASS });
	});
	it("'does not apply' completes only where the procedure allows it", () => {
		expect(
			state(
				[local(1, "connection:A1-top/couple/clean", { confirmed: { outcome: "NOT_APPLICABLE", reason: "new" } })],
				"connection:A1-top/couple/clean",
			).state,
		).toBe(S.NOT_NEEDED);
		const strict = structuredClone(doc);
		(strict.sections[3]!.steps[0] as { confirm: { allowNotApplicable: boolean } }).confirm.allowNotApplicable = false;
		const v = view({ procedure: strict });
		expect(
			state(
				[local(1, "connection:A1-top/couple/clean", { confirmed: { outcome: "NOT_APPLICABLE", reason: "new" } })],
				"connection:A1-top/couple/clean",
				{ view: v },
			).state,
		).toBe(S.OUT_OF_LIMITS);
	});
	it("with photos wait until the server has them", () => {
		const mark = "connection:A1-top/couple/mark";
		expect(state([local(1, mark, { photoAttached: { digest: "AA==", subject: "other" } })], mark).state).toBe(S.OPEN);
		expect(state([local(1, mark, { photoAttached: { digest: "AA==", subject: "mated" } })], mark).state).toBe(S.WAITING);
	});
	it("take the server's word until something newer is entered here", () => {
		const steps = [fromJson(StepViewSchema, { id: torque, section: "couple", step: "torque", state: "RETURNED", entries: [] } as never)];
		expect(state([], torque, { steps })).toMatchObject({ state: S.RETURNED, local: false });
		expect(state([applied(25)], torque, { steps })).toMatchObject({ state: S.COMPLETE, local: true });
	});
	it("a choice that is not good is out; an asked deviation takes it from the list of what to do", () => {
		const no = local(1, "job/leave/tidy", { answered: { choice: "no" } });
		expect(state([no], "job/leave/tidy").state).toBe(S.OUT_OF_LIMITS);
		expect(todo(fold(input([no]))).some((s) => s.step.id === "job/leave/tidy")).toBe(true);
		const asked = local(2, "job/leave/tidy", { deviationAsked: { reason: "gate broken before" } });
		expect(todo(fold(input([no, asked]))).some((s) => s.step.id === "job/leave/tidy")).toBe(false);
	});
	it("put this place first", () => {
		expect(todo(fold(input([])), "A1-foot")[0]!.step.id).toBe("connection:A1-foot/couple/clean");
	});
});

describe("holds", () => {
	const briefed = () => [known("people/ike"), known("people/noa")];
	it("stand from the start, and name who is missing", () => {
		const s = fold(input([known("people/ike")]));
		expect(s.holds.map((h) => h.gate)).toEqual(["climb:c1/briefing", "climb:c1/weather"]);
		expect(s.holds[0]!.needs[0]!.status.missing).toEqual(["people/noa"]);
	});
	it("what another said on this phone does not open a gate before the server has checked it", () => {
		const s = fold(input([...briefed(), wind(5, 2)]));
		expect(s.holds.map((h) => [h.gate, h.needs[0]?.why])).toEqual([["climb:c1/briefing", "waiting"]]);
	});
	it("end when everything is good, and begin again when the wind is an hour old or over the limit", () => {
		const alone = { view: view({ climbs: [{ id: "c1", crew: ["people/ike"], openTime: "2026-03-03T07:00:00Z" }] }) };
		expect(gates([known("people/ike"), wind(5, 2)], 5, alone)).toEqual([]);
		expect(gates([known("people/ike"), wind(5, 2)], 61, alone)).toEqual([]);
		expect(gates([known("people/ike"), wind(5, 2)], 62, alone)).toEqual(["climb:c1/weather"]);
		expect(gates([known("people/ike"), wind(5, 2), wind(12, 3)], 5, alone)).toEqual(["climb:c1/weather"]);
	});
	it("somebody who is not fit holds the climb", () => {
		const alone = { view: view({ climbs: [{ id: "c1", crew: ["people/ike"], openTime: "2026-03-03T07:00:00Z" }] }) };
		const unfit = local(1, "climb:c1/briefing/known", { acknowledged: { person: "people/ike", fitness: "NOT_FIT" } });
		expect(gates([unfit, wind(5, 2)], 5, alone)).toEqual(["climb:c1/briefing"]);
	});
	it("'work stopped' holds until it is resumed; a slip is taken back", () => {
		const stop = local(3, "", { workStopped: {} });
		expect(gates([stop])).toContain("work-stopped");
		expect(gates([stop, local(4, "", { workResumed: { reason: "ok" } })])).not.toContain("work-stopped");
		expect(gates([stop, local(4, "", { withdrawn: { entry: stop.entry.id, reason: "slip" } })])).not.toContain("work-stopped");
	});
	it("end with their climb; a climb opened here has its own", () => {
		const closed = local(9, "", { climbClosed: { down: ["people/ike", "people/noa"] } }, { climb: "c1" });
		expect(gates([closed])).toEqual([]);
		const half = local(9, "", { climbClosed: { down: ["people/ike"] } }, { climb: "c1" });
		expect(gates([half]).length).toBe(2);
		const open = local(10, "", { climbOpened: { crew: ["people/ike"] } });
		const s = fold(input([closed, open]));
		expect(s.climb?.id).toBe(open.entry.id);
		expect(s.byId.has(`climb:${open.entry.id}/briefing/known`)).toBe(true);
		expect(s.holds.map((h) => h.climb)).toEqual([open.entry.id, open.entry.id]);
	});
});
