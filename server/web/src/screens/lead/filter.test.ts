import { create } from "@bufbuild/protobuf";
import { describe, expect, it } from "vitest";
import { EntrySchema } from "../../gen/witnessmark/record/v1/entry_pb";
import { StepState as S, Verdict } from "../../gen/witnessmark/record/v1/line_pb";
import { EntryViewSchema, JobViewSchema, StepViewSchema } from "../../gen/witnessmark/v1/jobs_pb";
import { filterSteps, sample, searchSteps } from "./filter";
import { nextItem, queue } from "./queue";

const step = (id: string, more: object = {}) => ({
	view: create(StepViewSchema, { id, required: true, state: S.COMPLETE, verdict: Verdict.PASS, ...more }),
});
const entry = (seq: number, verdict: Verdict, more: object = {}) =>
	create(EntryViewSchema, { seq: BigInt(seq), verdict, counts: true, entry: create(EntrySchema, { id: `e${seq}`, ...more }) });

describe("the filters", () => {
	const failedThenPassed = step("line:A1/t/rl", { entries: [entry(1, Verdict.FAIL), entry(2, Verdict.PASS)] });
	const open = step("job/x/y", { state: S.OPEN, verdict: Verdict.VERDICT_UNSPECIFIED });
	const optional = step("job/x/z", { state: S.OPEN, required: false });
	const odd = step("connection:B2/c/t", {
		verdict: Verdict.PASS_NOT_PROVEN,
		entries: [entry(3, Verdict.PASS_NOT_PROVEN, { device: "devices/d1", clockOffset: { seconds: -181n, nanos: 0 } })],
	});
	const steps = [failedThenPassed, open, optional, odd];
	const view = create(JobViewSchema, { exceptions: [{ id: "x", step: "line:A1/t/rl" }] });
	it.each([
		["all", ["line:A1/t/rl", "job/x/y", "job/x/z", "connection:B2/c/t"]],
		["open", ["job/x/y"]],
		["failed", ["line:A1/t/rl"]],
		["not-proven", ["connection:B2/c/t"]],
		["exceptions", ["line:A1/t/rl"]],
		["clock", ["connection:B2/c/t"]],
	] as const)("'%s' keeps what it says", (filter, want) => {
		expect(filterSteps(steps, filter, view).map((s) => s.view.id)).toEqual(want);
	});
	it("a search needs every word, in any order and case", () => {
		const words = (s: (typeof steps)[number]) => (s === odd ? "B2 top Torque" : "A1 Return loss");
		expect(searchSteps(steps, "torque b2", words)).toEqual([odd]);
		expect(searchSteps(steps, "torque a1", words)).toEqual([]);
	});
	it("a sample is the same for the same seed, in order, without doubles", () => {
		const items = Array.from({ length: 300 }, (_, i) => i);
		const got = sample(items, 10, 4711);
		expect(got).toEqual(sample(items, 10, 4711));
		expect(new Set(got).size).toBe(10);
		expect(got).toEqual([...got].sort((a, b) => a - b));
		expect(sample(items, 10, 4712)).not.toEqual(got);
		expect(sample([1, 2], 10, 1)).toEqual([1, 2]);
	});
});

describe("what is to be looked at", () => {
	const view = create(JobViewSchema, {
		holds: [{ gate: "climb:c/weather", title: "Weather", sentence: "Too much wind." }],
		exceptions: [
			{ id: "CLOCK_OFF|d|1", kind: "CLOCK_OFF" },
			{ id: "DEVIATION|s|2", kind: "DEVIATION" },
			{ id: "FAILED_THEN_PASSED|s|3", kind: "FAILED_THEN_PASSED", lookedAt: true, lookedAtBy: "people/other" },
		],
		blockers: [{ reason: "EXCEPTIONS_NOT_LOOKED_AT", subjects: ["FAILED_THEN_PASSED|s|3", "DEVIATION|s|2", "CLOCK_OFF|d|1"] }],
		doubts: [{ id: "d1", sentence: "kit", assessed: false }],
	});
	const out = step("line:A1/t/rl", { state: S.OUT_OF_LIMITS, entries: [entry(9, Verdict.FAIL)] }).view;
	const items = queue(view, [out], "people/me");
	it("stands in the order of its weight, clocks last", () => {
		expect(items.map((i) => i.exception || i.kind)).toEqual(["out", "FAILED_THEN_PASSED", "hold", "doubt", "DEVIATION", "CLOCK_OFF"]);
	});
	it("looked at by another lead is not looked at by the one who signs", () => {
		expect(items.find((i) => i.exception === "FAILED_THEN_PASSED")?.done).toBe(false);
	});
	it("the next goes round and passes over what was seen", () => {
		expect(nextItem(items, items.at(-1)!.key)?.kind).toBe("out");
		expect(nextItem(items, "out|line:A1/t/rl|9", new Set([items[1]!.key]))?.kind).toBe("hold");
		expect(nextItem(items, undefined, new Set(items.map((i) => i.key)))).toBeUndefined();
	});
});
