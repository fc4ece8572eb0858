import { readFileSync } from "node:fs";
import { fromJson } from "@bufbuild/protobuf";
import { describe, expect, it } from "vitest";
import { ReadingTakenSchema, TorqueAppliedSchema } from "../gen/witnessmark/record/v1/entry_pb";
import { AssessmentSchema, Verdict } from "../gen/witnessmark/record/v1/line_pb";
import { Quantity, Measure_Unit as U } from "../gen/witnessmark/record/v1/measure_pb";
import { Limit_Decision_Rule as Rule } from "../gen/witnessmark/record/v1/procedure_pb";
import { text } from "../text";
import { say } from "../text/say";
import { type Bound, bound, judgeReading, judgeTorque } from "./judge";

interface Vector {
	name: string;
	quantity: keyof typeof Quantity;
	kind: "reading" | "torque";
	entry: object;
	interface?: string;
	confirmed?: boolean;
	limit: {
		lower?: number;
		upper?: number;
		unit: keyof typeof U;
		source: string;
		rule: keyof typeof Rule;
		guardFactor?: number;
		expandedUncertainty?: number;
	} | null;
	pinned?: object;
	at: string;
	want: { verdict: keyof typeof Verdict; sentence: string; advice?: string; warnings?: string[]; toolFlag?: boolean };
}

const vectors: Vector[] = JSON.parse(readFileSync("../../testdata/vectors/judgement.json", "utf8"));

describe("the vectors that the server and the phone share", () => {
	it("are there", () => expect(vectors.length).toBeGreaterThan(30));
	for (const v of vectors) {
		it(v.name, () => {
			const limit: Bound | undefined = v.limit
				? {
						lower: v.limit.lower,
						upper: v.limit.upper,
						unit: U[v.limit.unit],
						source: v.limit.source,
						rule: Rule[v.limit.rule],
						guardFactor: v.limit.guardFactor ?? 0,
						expandedUncertainty: v.limit.expandedUncertainty ?? 0,
					}
				: undefined;
			const pin = fromJson(AssessmentSchema, { pinned: v.pinned ?? {} } as never).pinned!;
			const facts = {
				residual: pin.residual,
				kitState: pin.kitState,
				toolCalibratedUntil: pin.toolCalibratedUntil,
				toolMaximum: pin.toolMaximum,
				toolMinimum: pin.toolMinimum,
				toolClass: pin.toolClass,
				expandedUncertainty: pin.expandedUncertainty,
			};
			const day = v.at.slice(0, 10);
			const j =
				v.kind === "torque"
					? judgeTorque(fromJson(TorqueAppliedSchema, v.entry as never), v.confirmed ?? false, v.interface ?? "", limit, facts, day)
					: judgeReading(
							Quantity[v.quantity],
							fromJson(ReadingTakenSchema, v.entry as never),
							v.confirmed ?? false,
							limit,
							facts,
							new Date(v.at),
							day,
						);
			expect(Verdict[j.verdict]).toBe(v.want.verdict);
			expect(j.warnings.map((w) => w.code)).toEqual(v.want.warnings ?? []);
			expect(j.toolFlag).toBe(v.want.toolFlag ?? false);
			const said = say(j, (key, words) => text("en", key, words), ".", v.interface);
			expect(said.sentence).toBe(v.want.sentence);
			expect(said.advice).toBe(v.want.advice ?? "");
		});
	}
});

describe("the bound that a residual sets", () => {
	// IEC 62037-1, error curve as quoted in open text: 10 dB over the residual gives about +2.4 / −3.3 dB.
	it.each([
		[10, -3.302, 2.387],
		[20, -0.915, 0.828],
	])("%d dB over it", (over, low, high) => {
		expect(bound(over).low).toBeCloseTo(low, 3);
		expect(bound(over).high).toBeCloseTo(high, 3);
	});
});

describe("torque behind an extension", () => {
	// Published examples of tool makers: set 71.1 N·m (400 mm lever, 50 mm in line) delivers 80; set 57.14 (12 in, 9 in) delivers 100.
	it.each([
		[71.111, 400, 50, U.MILLIMETERS, 80],
		[57.1429, 12, 9, U.INCHES, 100],
	])("set to %d", (set, lever, reach, unit, want) => {
		const limit: Bound = {
			lower: 1,
			upper: 1000,
			unit: U.NEWTON_METERS,
			source: "",
			rule: Rule.SIMPLE,
			guardFactor: 0,
			expandedUncertainty: 0,
		};
		const t = fromJson(TorqueAppliedSchema, {
			value: set,
			unit: "NEWTON_METERS",
			leverLength: { value: lever, unit: U[unit] },
			extensionLength: { value: reach, unit: U[unit] },
		});
		expect(judgeTorque(t, true, "", limit, {}, "2026-03-05").y).toBeCloseTo(want, 2);
	});
});
