// Steps are the procedure times the plan, with stable ids, in the order that
// the server uses too. The phone needs them before the server knows of a climb.

import type { Assessment_AppliedLimit as Applied } from "../gen/witnessmark/record/v1/line_pb";
import { type Source, Source_Standing as Standing } from "../gen/witnessmark/record/v1/measure_pb";
import type { Plan_Connection as Connection, Plan_Line as Line, Plan } from "../gen/witnessmark/record/v1/plan_pb";
import { Plan_Line_Medium as Medium } from "../gen/witnessmark/record/v1/plan_pb";
import {
	type Step as Definition,
	type Limit,
	type Match,
	type Procedure,
	Section_Repeat as Repeat,
	Limit_Decision_Rule as Rule,
	type Section,
} from "../gen/witnessmark/record/v1/procedure_pb";
import type { StepView } from "../gen/witnessmark/v1/jobs_pb";
import type { Bound } from "./judge";

/** A limit as the phone has it: numbers, none, or only the server has them. */
export type PhoneLimit = { readonly known: true; readonly bound: Bound | undefined } | { readonly known: false };

export interface Step {
	readonly id: string;
	/** The id without its last part. */
	readonly instance: string;
	readonly section: Section;
	readonly def: Definition;
	/** Id of the climb, line or connection; empty for the job's own. */
	readonly scopeId: string;
	readonly line?: Line | undefined;
	readonly connection?: Connection | undefined;
	readonly required: boolean;
	readonly limit: PhoneLimit;
	readonly sourceLimit: PhoneLimit;
	readonly residualLimit: PhoneLimit;
}

export interface Expansion {
	readonly steps: readonly Step[];
	readonly byId: ReadonlyMap<string, Step>;
	readonly byInstance: ReadonlyMap<string, readonly Step[]>;
	/** The gates of a section instance for an entry that names `climb`. */
	requires(instance: string, climb: string): string[];
}

interface Subject {
	plan: Plan;
	line?: Line | undefined;
	connection?: Connection | undefined;
}

/** One attribute of the plan as conditions name it; undefined when there is none. */
export function attribute(s: Subject, name: string): string | undefined {
	const c = s.connection;
	const l = s.line;
	const direct: Record<string, string | undefined> = {
		interface: c?.interface,
		position: c?.position,
		sector: c?.sector,
		polish: c?.polish,
		medium: l && l.medium !== Medium.MEDIUM_UNSPECIFIED ? Medium[l.medium] : undefined,
		band: l?.band,
		type: l?.type,
		near_equipment: l?.nearEquipment,
		far_equipment: l?.farEquipment,
	};
	return (
		(Object.hasOwn(direct, name) ? direct[name] : undefined) ||
		c?.attributes[name] ||
		l?.attributes[name] ||
		s.plan.attributes[name] ||
		undefined
	);
}

/** All matches hold; values are compared without regard to case and outer blanks. */
export function matches(list: readonly Match[], s: Subject): boolean {
	const fold = (t: string) => t.trim().toLowerCase();
	return list.every((m) => {
		const v = attribute(s, m.attribute);
		if (m.anyOf.length > 0 && (v === undefined || !m.anyOf.some((w) => fold(w) === fold(v)))) return false;
		return v === undefined || !m.noneOf.some((w) => fold(w) === fold(v));
	});
}

/** Where a limit comes from, as it is printed. A figure from memory is never a citation. */
export function sourceText(s: Source | undefined): string {
	let cite = s?.document ?? "";
	if (s?.clause) cite = cite ? `${cite}, ${s.clause}` : s.clause;
	if (s?.year) cite = `${cite} (${s.year})`.trim();
	const behind = (words: string) => (cite ? `${words}: ${cite}` : words);
	switch (s?.standing) {
		case Standing.PUBLISHED:
			return cite;
		case Standing.COMMON_PRACTICE:
			return "common practice";
		case Standing.COMPANY:
			return behind("this company");
		case Standing.OWNER:
			return behind("the owner");
		case Standing.MAKER:
			return behind("the maker");
		case Standing.FROM_MEMORY:
			return behind("from memory, not confirmed; to be looked up in");
		case Standing.COMPUTED:
			return behind("computed");
		default:
			return "no source given";
	}
}

const NONE: PhoneLimit = { known: true, bound: undefined };
const SERVER: PhoneLimit = { known: false };

/** The limit of a step: the server's numbers where it gave them, else plain numbers and tables from the procedure; formulas only the server computes. */
export function phoneLimit(def: Limit | undefined, shared: Procedure["limits"], s: Subject, applied: Applied | undefined): PhoneLimit {
	if (!def) return NONE;
	const target = def.bound.case === "shared" ? shared[def.bound.value] : def;
	if (!target) return SERVER;
	const decision = def.decision ?? target.decision;
	const how = {
		rule: decision?.rule ?? Rule.SIMPLE,
		guardFactor: decision?.guardFactor ?? 0,
		expandedUncertainty: decision?.expandedUncertainty ?? 0,
	};
	if (applied && (applied.lower !== undefined || applied.upper !== undefined)) {
		return { known: true, bound: { lower: applied.lower, upper: applied.upper, unit: applied.unit, source: applied.source, ...how } };
	}
	const b = target.bound;
	const plain = b.case === "plain" ? b.value : b.case === "table" ? b.value.rows.find((r) => matches(r.when, s))?.bound : undefined;
	if (b.case === "formula" || b.case === "shared") return SERVER;
	if (!plain || (plain.lower === undefined && plain.upper === undefined)) return NONE;
	return { known: true, bound: { lower: plain.lower, upper: plain.upper, unit: plain.unit, source: sourceText(plain.source), ...how } };
}

/** Multiplies the procedure with the plan and the climbs, in the order of their opening. */
export function expand(
	procedure: Procedure,
	plan: Plan,
	climbs: readonly string[],
	server: ReadonlyMap<string, StepView> = new Map(),
): Expansion {
	const steps: Step[] = [];
	const byId = new Map<string, Step>();
	const byInstance = new Map<string, Step[]>();
	const lines = new Map(plan.lines.map((l) => [l.id, l]));
	const lineOf = new Map(plan.connections.map((c) => [c.id, c.line]));

	const add = (section: Section, scope: string, scopeId: string, s: Subject) => {
		if (!matches(section.when, s)) return;
		const instance = `${scope}/${section.id}`;
		const mine: Step[] = [];
		for (const def of section.steps) {
			if (!matches(def.when, s)) continue;
			const id = `${instance}/${def.id}`;
			const view = server.get(id);
			const limitOf = (l: Limit | undefined, applied: Applied | undefined) => phoneLimit(l, procedure.limits, s, applied);
			const k = def.kind;
			const own = k.case === "reading" || k.case === "torque" || k.case === "trace" ? k.value.limit : undefined;
			mine.push({
				id,
				instance,
				section,
				def,
				scopeId,
				line: s.line,
				connection: s.connection,
				required: !def.optional,
				limit: limitOf(own, view?.limit),
				sourceLimit: k.case === "kitCheck" ? limitOf(k.value.sourceLimit, view?.sourceLimit) : NONE,
				residualLimit: k.case === "kitCheck" ? limitOf(k.value.residualLimit, view?.limit) : NONE,
			});
		}
		if (mine.length === 0) return;
		byInstance.set(instance, mine);
		for (const m of mine) byId.set(m.id, m);
		steps.push(...mine);
	};

	for (let i = 0; i < procedure.sections.length; ) {
		let j = i;
		while (j < procedure.sections.length && procedure.sections[j]!.repeat === procedure.sections[i]!.repeat) j++;
		const run = procedure.sections.slice(i, j);
		const all = (scope: string, scopeId: string, s: Subject) => {
			for (const section of run) add(section, scope, scopeId, s);
		};
		switch (run[0]!.repeat) {
			case Repeat.JOB:
				all("job", "", { plan });
				break;
			case Repeat.CLIMB:
				for (const id of climbs) all(`climb:${id}`, id, { plan });
				break;
			case Repeat.LINE:
				for (const line of plan.lines) all(`line:${line.id}`, line.id, { plan, line });
				break;
			case Repeat.CONNECTION:
				for (const c of plan.connections) all(`connection:${c.id}`, c.id, { plan, line: lines.get(c.line), connection: c });
				break;
			default:
				break;
		}
		i = j;
	}

	const sections = new Map(procedure.sections.map((s) => [s.id, s]));
	return {
		steps,
		byId,
		byInstance,
		requires(instance, climb) {
			const cut = instance.indexOf("/");
			const section = sections.get(instance.slice(cut + 1));
			if (cut < 0 || !section) return [];
			const [kind, scopeId = ""] = instance.slice(0, cut).split(/:(.*)/s);
			const own = kind === "climb" ? scopeId : climb;
			const out: string[] = [];
			for (const name of section.requires) {
				switch (sections.get(name)?.repeat) {
					case Repeat.JOB:
						if (byInstance.has(`job/${name}`)) out.push(`job/${name}`);
						break;
					case Repeat.CLIMB:
						out.push(`climb:${own}/${name}`);
						break;
					case Repeat.LINE: {
						const gate = `line:${kind === "connection" ? (lineOf.get(scopeId) ?? "") : scopeId}/${name}`;
						if (byInstance.has(gate)) out.push(gate);
						break;
					}
					case Repeat.CONNECTION: {
						const gate = `connection:${scopeId}/${name}`;
						if (byInstance.has(gate)) out.push(gate);
						break;
					}
					default:
						break;
				}
			}
			return out;
		},
	};
}

/** A text of the procedure in a language, else in English. */
export function procedureText(p: Procedure, language: string, path: string, english: string): string {
	const c = p.catalogues.find((k) => k.language === language || k.language.split("-")[0] === language);
	return c?.texts[path] || english;
}
