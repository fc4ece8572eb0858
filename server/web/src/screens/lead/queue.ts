// What the lead looks at, one thing at a time, in the order of its weight. Pure.

import { StepState as S } from "../../gen/witnessmark/record/v1/line_pb";
import type { JobView, StepView } from "../../gen/witnessmark/v1/jobs_pb";
import type { Sign } from "../../parts/basic";

export type ItemKind = "out" | "asked" | "hold" | "doubt" | "exception";

/** One thing to look at. */
export interface Item {
	/** Stable while its causes are the same: it stands in the address. */
	key: string;
	kind: ItemKind;
	/** Kind of the exception, such as FAILED_THEN_PASSED; "" for others. */
	exception: string;
	step: string;
	/** Sequence numbers of the causing lines. */
	lines: readonly number[];
	sentence: string;
	/** A lead has looked at it: only what needs an action stays undone otherwise. */
	done: boolean;
	by: string;
	sign: Sign;
}

// Failed and passed first, then holds, deviations, doubts, findings, what came
// late or from elsewhere, clocks last. Kinds that are not known stand before the clocks.
const ORDER = [
	"FAILED_THEN_PASSED",
	"FAIL_WITHDRAWN",
	"GATE_UNMET",
	"GATE_UNMET_AT_CLOSE",
	"WHILE_STOPPED",
	"NO_CLIMB",
	"NOT_ON_CREW",
	"UNQUALIFIED",
	"DEVIATION",
	"NOT_PROVEN",
	"READING_WITHOUT_KIT",
	"OPTIONAL_OUT",
	"END_FACE_FAILS",
	"PHOTO_FINDING",
	"TRACE_DIFFERS",
	"VALUE_NOT_CONFIRMED",
	"WRONG_DOER",
	"ON_ANOTHERS_PHONE",
	"PLAN_DROPPED",
	"AFTER_CLIMB",
	"ORDER_UNCERTAIN",
	"CHAIN_FORKED",
	"CHAIN_BROKEN",
	"CHAIN_GAP",
	"REFUSED_ASIDE",
	"UNSENT",
];
const LAST = ["CLOCK_OFF", "CLOCK_UNKNOWN"];

function rank(i: Item): number {
	switch (i.kind) {
		case "out":
			return 0;
		case "hold":
			return 3;
		case "asked":
			return 4;
		case "doubt":
			return 5;
		default: {
			const late = LAST.indexOf(i.exception);
			if (late >= 0) return 200 + late;
			const at = ORDER.indexOf(i.exception);
			return at < 0 ? 150 : at < 2 ? 1 + at : 10 + at;
		}
	}
}

/** The sign of an exception: how the thing stands now, not what happened. */
function signOfException(kind: string): Sign {
	switch (kind) {
		case "FAILED_THEN_PASSED":
			return "whole";
		case "OPTIONAL_OUT":
		case "END_FACE_FAILS":
		case "CHAIN_FORKED":
		case "CHAIN_BROKEN":
			return "broken";
		case "REFUSED_ASIDE":
		case "UNSENT":
		case "CHAIN_GAP":
		case "CLOCK_UNKNOWN":
			return "hollow";
		default:
			return "dashed";
	}
}

/** Everything that wants the lead, weightiest first. `me` is who signs: he looks at each exception himself. */
export function queue(view: JobView, steps: readonly StepView[], me: string, leads = true): Item[] {
	const out: Item[] = [];
	for (const s of steps) {
		if (s.state !== S.OUT_OF_LIMITS && s.state !== S.OPEN && s.state !== S.WAITING && s.state !== S.RETURNED) continue;
		const asked = s.entries.findLast((e) => e.entry?.kind.case === "deviationAsked" && !e.withdrawn);
		if (asked && s.state !== S.RETURNED) {
			const reason = asked.entry?.kind.case === "deviationAsked" ? asked.entry.kind.value.reason : "";
			out.push(
				item("asked", `asked|${s.id}|${asked.seq}`, s.id, reason, [Number(asked.seq)], s.state === S.OUT_OF_LIMITS ? "broken" : "hollow"),
			);
		} else if (s.state === S.OUT_OF_LIMITS && s.required) {
			const counting = s.entries.filter((e) => e.counts).map((e) => Number(e.seq));
			out.push(item("out", `out|${s.id}|${counting.join(",")}`, s.id, s.sentence, counting, "broken"));
		}
	}
	for (const h of view.holds)
		out.push(item("hold", `hold|${h.gate}`, "", h.title ? `${h.title}. ${h.sentence}` : h.sentence, [], "hollow"));
	for (const d of view.doubts) if (!d.assessed) out.push(item("doubt", `doubt|${d.id}`, d.steps[0] ?? "", d.sentence, [], "dashed"));
	for (const x of view.exceptions) {
		// The server names one who looked; a blocker names what this lead has not looked at yet.
		const mine = x.lookedAt && (x.lookedAtBy === me || !leads || !waitsFor(view, x.id));
		out.push({
			...item("exception", x.id, x.step, x.sentence, x.lines.map(Number), signOfException(x.kind)),
			exception: x.kind,
			done: mine,
			by: x.lookedAtBy,
		});
	}
	return out
		.map((i, n) => ({ i, n }))
		.sort((a, b) => rank(a.i) - rank(b.i) || a.n - b.n)
		.map((x) => x.i);
}

function waitsFor(view: JobView, exception: string): boolean {
	return view.blockers.some((b) => b.reason === "EXCEPTIONS_NOT_LOOKED_AT" && b.subjects.includes(exception));
}

function item(kind: ItemKind, key: string, step: string, sentence: string, lines: number[], sign: Sign): Item {
	return { key, kind, exception: "", step, lines, sentence, done: false, by: "", sign };
}

/** The next one that is not done, after `key`, round again; undefined when there is none. */
export function nextItem(items: readonly Item[], key: string | undefined, seen: ReadonlySet<string> = new Set()): Item | undefined {
	const at = items.findIndex((i) => i.key === key);
	const around = [...items.slice(at + 1), ...items.slice(0, Math.max(0, at))];
	return around.find((i) => !i.done && !seen.has(i.key));
}
