// What an auditor picks out of a job: by how a step stands, by words, by a
// random sample that can be drawn again. Pure.

import { StepState as S, Verdict } from "../../gen/witnessmark/record/v1/line_pb";
import type { JobView, StepView } from "../../gen/witnessmark/v1/jobs_pb";

export const FILTERS = ["all", "open", "failed", "not-proven", "deviating", "exceptions", "clock", "retaken"] as const;
export type Filter = (typeof FILTERS)[number];

export function isFilter(s: string): s is Filter {
	return (FILTERS as readonly string[]).includes(s);
}

const DONE = new Set<S>([S.COMPLETE, S.DEVIATING, S.NOT_NEEDED]);
const CLOCK_MS = 120_000;

/** Steps that a filter keeps, in the order of the work. */
export function filterSteps<T extends { view: StepView }>(steps: readonly T[], filter: Filter, view: Pick<JobView, "exceptions">): T[] {
	const excepted = new Set(view.exceptions.map((x) => x.step));
	return steps.filter(({ view: s }) => {
		switch (filter) {
			case "open":
				return s.required && !DONE.has(s.state);
			case "failed":
				return s.state === S.OUT_OF_LIMITS || s.entries.some((e) => e.verdict === Verdict.FAIL);
			case "not-proven":
				return s.verdict === Verdict.PASS_NOT_PROVEN || s.verdict === Verdict.NOT_MEASURABLE;
			case "deviating":
				return s.entries.some((e) => e.entry?.kind.case === "deviationAsked" || e.entry?.kind.case === "deviationAccepted");
			case "exceptions":
				return excepted.has(s.id);
			case "clock":
				return s.entries.some((e) => {
					const o = e.entry?.clockOffset;
					return e.entry?.device !== "" && (!o || Math.abs(Number(o.seconds) * 1000 + o.nanos / 1e6) > CLOCK_MS);
				});
			case "retaken":
				return s.entries.filter((e) => measuredKinds.has(e.entry?.kind.case ?? "")).length > wanted(s);
			default:
				return true;
		}
	});
}

const measuredKinds = new Set(["readingTaken", "torqueApplied", "traceAttached"]);
// One reading for each that counts: a fibre has one for each wavelength and direction.
const wanted = (s: StepView) => Math.max(1, s.entries.filter((e) => e.counts).length);

/** Steps whose title, place or id has every word of a text. */
export function searchSteps<T extends { view: StepView }>(steps: readonly T[], text: string, words: (s: T) => string): T[] {
	const wanted = text
		.toLowerCase()
		.split(/\s+/)
		.filter((x) => x !== "");
	if (wanted.length === 0) return [...steps];
	return steps.filter((s) => {
		const all = `${words(s)} ${s.view.id}`.toLowerCase();
		return wanted.every((x) => all.includes(x));
	});
}

/**
 * A random sample of n, in the order of the list: the same seed gives the same
 * sample of the same list, so that it can be written down and drawn again.
 */
export function sample<T>(items: readonly T[], n: number, seed: number): T[] {
	let a = seed >>> 0;
	const random = () => {
		a = (a + 0x6d2b79f5) >>> 0;
		let t = a;
		t = Math.imul(t ^ (t >>> 15), t | 1);
		t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
		return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
	};
	const at = items.map((_, i) => i);
	for (let i = 0; i < Math.min(n, at.length); i++) {
		const k = i + Math.floor(random() * (at.length - i));
		[at[i], at[k]] = [at[k]!, at[i]!];
	}
	return at
		.slice(0, n)
		.sort((x, y) => x - y)
		.map((i) => items[i]!);
}
