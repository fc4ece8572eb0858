// The verdicts that the phone gives at once, without the server: the plain
// comparison, the guard band that the procedure fixes, the bound that the kit's
// residual sets, and the torque behind an extension. The server judges again
// and its word counts. Vectors that both programs read hold the two together.

import { ReadingTaken_Direction as Direction, type ReadingTaken, type TorqueApplied } from "../gen/witnessmark/record/v1/entry_pb";
import { type Assessment_Pinned, Verdict } from "../gen/witnessmark/record/v1/line_pb";
import { type Measure, type Measure_Unit, Quantity as Q, Measure_Unit as U } from "../gen/witnessmark/record/v1/measure_pb";
import { Limit_Decision_Rule as Rule } from "../gen/witnessmark/record/v1/procedure_pb";
import { convert, round6, unitsFor } from "./units";

/** A limit as numbers. Without `lower` and `upper` there is no limit. */
export interface Bound {
	readonly lower?: number | undefined;
	readonly upper?: number | undefined;
	readonly unit: Measure_Unit;
	/** Where it comes from, as it is printed. */
	readonly source: string;
	readonly rule: Rule;
	readonly guardFactor: number;
	readonly expandedUncertainty: number;
}

export type AskCode = "ASK_SIGN" | "ASK_VSWR" | "ASK_DECIBELS" | "ASK_UNLIKELY" | "ASK_TORQUE" | "ASK_SETTING";
export type WarnCode =
	| "KIT_NOT_KNOWN"
	| "KIT_NOT_FIT"
	| "KIT_MARGINAL"
	| "KIT_FOR_LIMIT"
	| "CARRIER_POWER"
	| "TOOL_EXPIRED"
	| "TOOL_RANGE"
	| "TOOL_CLASS"
	| "UNCERTAINTY"
	| "GUST";

export interface Warning {
	readonly code: AskCode | WarnCode;
	/** What was perhaps meant, for a question. */
	readonly proposal?: { readonly value: number; readonly unit: Measure_Unit };
}

/** Why a reading cannot be compared with its limit. */
export type Unjudged =
	| "no-number"
	| "not-finite"
	| "unit"
	| "carrier"
	| "torque-range"
	| "lever"
	| "extension"
	| "angle"
	| "negative-loss"
	| "ratio-below-one"
	| "humidity"
	| "guard-bands-meet"
	| "wavelength";

export interface Judgement {
	readonly verdict: Verdict;
	/** Set when the phone cannot judge this one: 'judged when sent'. */
	readonly later: boolean;
	readonly quantity: Q;
	/** As entered. */
	readonly value: number;
	readonly unit: Measure_Unit;
	/** In the limit's unit, and behind an extension: at the fastener. */
	readonly y: number;
	readonly limit?: Bound | undefined;
	readonly inside: boolean;
	/** Where the true value can lie; `low` is minus infinity at or under the residual. */
	readonly low: number;
	readonly high: number;
	/** Width of the band inside the limit in which a pass is not proven. */
	readonly guard: number;
	/** The part of it that the rule's guard factor makes. */
	readonly band: number;
	readonly residual?: number | undefined;
	/** At or under the kit's own level: only 'at most' can be said. */
	readonly atMost: boolean;
	/** A fail that the errors could turn into a pass. */
	readonly insideUncertainty: boolean;
	readonly kitUnknown: boolean;
	readonly uncertaintyUnknown: boolean;
	readonly classUnknown: boolean;
	readonly why?: Unjudged | undefined;
	readonly extension: boolean;
	readonly wavelength?: { readonly value: number; readonly unit: Measure_Unit } | undefined;
	readonly direction: Direction;
	readonly warnings: readonly Warning[];
	/** The tool was out of its calibration or range: the step stays open until that is assessed. */
	readonly toolFlag: boolean;
	readonly marginal: boolean;
}

/** Facts about tool and kit that are not in the entry, as far as the phone knows them. */
export type Pinned = Pick<
	Assessment_Pinned,
	"residual" | "kitState" | "toolCalibratedUntil" | "toolMaximum" | "toolMinimum" | "toolClass" | "expandedUncertainty"
> & { readonly kitHoldsUntil?: Date | undefined };

type Draft = { -readonly [K in keyof Judgement]: Judgement[K] } & { warnings: Warning[] };

function draft(quantity: Q, value: number, unit: Measure_Unit, limit: Bound | undefined): Draft {
	return {
		verdict: Verdict.NOT_MEASURABLE,
		later: false,
		quantity,
		value,
		unit,
		y: value,
		limit,
		inside: false,
		low: value,
		high: value,
		guard: 0,
		band: 0,
		atMost: false,
		insideUncertainty: false,
		kitUnknown: false,
		uncertaintyUnknown: false,
		classUnknown: false,
		extension: false,
		direction: Direction.DIRECTION_UNSPECIFIED,
		warnings: [],
		toolFlag: false,
		marginal: false,
	};
}

function unjudged(d: Draft, why: Unjudged): Judgement {
	d.why = why;
	d.verdict = Verdict.NOT_MEASURABLE;
	return d;
}

const hasLimit = (l: Bound | undefined): l is Bound => l !== undefined && (l.lower !== undefined || l.upper !== undefined);

/** Judges a reading. `at` is its corrected time; `day` its civil date at the site, YYYY-MM-DD. */
export function judgeReading(
	q: Q,
	r: ReadingTaken,
	confirmed: boolean,
	limit: Bound | undefined,
	pin: Partial<Pinned>,
	at: Date,
	day: string,
): Judgement {
	const d = draft(q, r.value, r.unit, limit);
	if (r.wavelength) d.wavelength = { value: r.wavelength.value, unit: r.wavelength.unit };
	d.direction = r.direction;
	if (r.notMeasurable) return unjudged(d, "no-number");
	if (!Number.isFinite(r.value)) return unjudged(d, "not-finite");
	if (!unitsFor(q).includes(r.unit)) return unjudged(d, "unit");
	if (!confirmed) ask(d, q, r.value, r.unit);
	if (!hasLimit(limit)) {
		calibrated(d, pin, day, r.value);
		d.verdict = Verdict.RECORDED;
		return d;
	}
	const impossible = impossibleValue(q, r.value, r.unit);
	if (impossible) return unjudged(d, impossible);
	const y = inLimitUnit(q, r, limit.unit);
	if (typeof y === "string") return unjudged(d, y);
	d.y = d.low = d.high = y;
	calibrated(d, pin, day, y);
	if (r.gust && q === Q.WIND_SPEED) d.warnings.push({ code: "GUST" });
	if (q === Q.INTERMODULATION) return intermodulation(d, r, limit, pin, at);
	if (limit.rule === Rule.DIRECTIVITY) d.later = true;
	return decide(d, limit, pin);
}

/** Judges a torque: at the fastener, (L + E·cos θ)/L times the torque at the tool. */
export function judgeTorque(
	t: TorqueApplied,
	confirmed: boolean,
	iface: string,
	limit: Bound | undefined,
	pin: Partial<Pinned>,
	day: string,
): Judgement {
	const d = draft(Q.TORQUE, t.value, t.unit, limit);
	if (!Number.isFinite(t.value)) return unjudged(d, "not-finite");
	if (!unitsFor(Q.TORQUE).includes(t.unit)) return unjudged(d, "unit");
	const newton = convert(t.value, t.unit, U.NEWTON_METERS)!;
	if (!(newton > 0 && newton <= 10_000)) return unjudged(d, "torque-range");
	const factor = extensionFactor(t);
	if (typeof factor === "string") return unjudged(d, factor);
	d.extension = factor !== undefined;
	const nominal = newton * (factor ?? 1);
	if (!confirmed) {
		askTorque(d, iface, nominal, t.unit);
		askSetting(d, t, newton);
	}
	if (!hasLimit(limit)) {
		calibrated(d, pin, day, t.value);
		d.verdict = Verdict.RECORDED;
		return d;
	}
	d.y = d.low = d.high = round6(convert(nominal, U.NEWTON_METERS, limit.unit)!);
	calibrated(d, pin, day, round6(convert(newton, U.NEWTON_METERS, limit.unit)!));
	if (limit.rule === Rule.TOOL_CLASS) {
		const percent = permittedDeviation(pin);
		if (percent === undefined) {
			d.classUnknown = true;
			d.warnings.push({ code: "TOOL_CLASS" });
		} else {
			d.low = Math.min(d.y, round6(d.y / (1 + percent / 100)));
			d.high = Math.max(d.y, round6(d.y / (1 - percent / 100)));
			if (limit.upper !== undefined) d.guard = (limit.upper * percent) / 100;
		}
	}
	return decide(d, limit, pin);
}

// The decision: value and interval against the limit, less the guard band.
function decide(d: Draft, limit: Bound, pin: Partial<Pinned>): Judgement {
	let w = 0;
	if (limit.guardFactor > 0) {
		const expanded = limit.expandedUncertainty > 0 ? limit.expandedUncertainty : (pin.expandedUncertainty ?? 0);
		if (expanded > 0 && Number.isFinite(expanded)) w = limit.guardFactor * expanded;
		else d.uncertaintyUnknown = true;
	}
	if (w > 0 && limit.lower !== undefined && limit.upper !== undefined && round6(limit.lower + w) > round6(limit.upper - w)) {
		return unjudged(d, "guard-bands-meet");
	}
	d.band = w;
	d.guard += w;
	d.inside = holds(limit, d.y, 0);
	const accepted = holds(limit, d.low, w) && holds(limit, d.high, w);
	if (d.inside) {
		const proven = accepted && !d.uncertaintyUnknown && !d.kitUnknown && !d.classUnknown;
		d.verdict = proven ? Verdict.PASS : Verdict.PASS_NOT_PROVEN;
		if (accepted && d.uncertaintyUnknown) d.warnings.push({ code: "UNCERTAINTY" });
	} else {
		d.verdict = Verdict.FAIL;
		d.insideUncertainty = touches(limit, d.low, d.high, 0) || touches(limit, d.low, d.high, -w);
	}
	return d;
}

function holds(l: Bound, v: number, w: number): boolean {
	return (l.lower === undefined || round6(v) >= round6(l.lower + w)) && (l.upper === undefined || round6(v) <= round6(l.upper - w));
}

function touches(l: Bound, low: number, high: number, w: number): boolean {
	return (l.lower === undefined || round6(high) >= round6(l.lower + w)) && (l.upper === undefined || round6(low) <= round6(l.upper - w));
}

/** A level of intermodulation, bounded by the kit's residual: its phase is unknown, so the true level lies between the difference and the sum. */
function intermodulation(d: Draft, r: ReadingTaken, limit: Bound, pin: Partial<Pinned>, at: Date): Judgement {
	const carrier = levelOf(r.carrierPower);
	if (carrier !== undefined && Math.abs(carrier - 43) > 0.5) d.warnings.push({ code: "CARRIER_POWER" });
	let residual: number | undefined;
	if (pin.kitHoldsUntil && at > pin.kitHoldsUntil) {
		d.warnings.push({ code: "KIT_NOT_KNOWN" });
	} else {
		if (pin.kitState === "NOT_FIT") d.warnings.push({ code: "KIT_NOT_FIT" });
		if (pin.kitState === "MARGINAL") {
			d.warnings.push({ code: "KIT_MARGINAL" });
			d.marginal = true;
		}
		if (pin.residual !== undefined && Number.isFinite(pin.residual)) residual = pin.residual;
	}
	if (residual !== undefined && limit.unit === U.DECIBEL_MILLIWATTS) residual = carrier === undefined ? undefined : residual + carrier;
	if (residual === undefined || limit.upper === undefined) {
		d.kitUnknown = true;
		if (!d.warnings.some((w) => w.code === "KIT_NOT_KNOWN")) d.warnings.push({ code: "KIT_NOT_KNOWN" });
		return decide(d, limit, pin);
	}
	d.residual = residual;
	if (limit.upper - residual < 10 - 1e-9) d.warnings.push({ code: "KIT_FOR_LIMIT" });
	const top = Math.max(d.y, residual);
	const bottom = Math.min(d.y, residual);
	d.high = round6(top + 20 * Math.log10(1 + 10 ** ((bottom - top) / 20)));
	if (limit.upper > residual) d.guard = -bound(limit.upper - residual).low;
	if (d.y <= residual) {
		d.atMost = true;
		d.low = Number.NEGATIVE_INFINITY;
		const y = d.y;
		d.y = d.high; // what is compared is the bound
		const kept = decide(d, limit, pin) as Draft;
		d.y = y;
		if (kept.why) return kept;
		if (kept.verdict === Verdict.FAIL) kept.verdict = Verdict.NOT_MEASURABLE;
		return kept;
	}
	d.low = Math.min(d.y, round6(d.y + bound(d.y - residual).low));
	d.high = Math.max(d.y, d.high);
	return decide(d, limit, pin);
}

/** How far a reading can lie from the true level when the residual lies `over` dB below it (the error curve of IEC 62037-1): 20·log10(1 ∓ 10^(−over/20)). */
export function bound(over: number): { low: number; high: number } {
	const x = (over * Math.LN10) / 20;
	return { low: (20 / Math.LN10) * Math.log(-Math.expm1(-x)), high: (20 / Math.LN10) * Math.log1p(Math.exp(-x)) };
}

function levelOf(m: Measure | undefined): number | undefined {
	if (!m) return undefined;
	if (m.unit === U.DECIBEL_MILLIWATTS && Math.abs(m.value) <= 200) return m.value;
	if (m.unit === U.WATTS && m.value > 0) return 10 * Math.log10(m.value * 1000);
	return undefined;
}

function inLimitUnit(q: Q, r: ReadingTaken, to: Measure_Unit): number | Unjudged {
	if (r.unit === to) return r.value;
	if (q === Q.INTERMODULATION) {
		const carrier = levelOf(r.carrierPower);
		if (carrier === undefined) return "carrier";
		return round6(to === U.DECIBELS_CARRIER ? r.value - carrier : r.value + carrier);
	}
	if (q === Q.RETURN_LOSS || q === Q.STANDING_WAVE_RATIO) {
		if (to === U.RATIO) {
			const gamma = 10 ** (-r.value / 20);
			return r.value < 0 ? "unit" : gamma >= 1 ? 1e8 : round6((1 + gamma) / (1 - gamma));
		}
		return r.value < 1 ? "ratio-below-one" : r.value === 1 ? 1e8 : round6(-20 * Math.log10((r.value - 1) / (r.value + 1)));
	}
	const v = convert(r.value, r.unit, to);
	return v === undefined ? "unit" : round6(v);
}

function impossibleValue(q: Q, v: number, u: Measure_Unit): Unjudged | undefined {
	if ((q === Q.FIBRE_LOSS || q === Q.LINE_LOSS) && v < 0) return "negative-loss";
	if ((q === Q.RETURN_LOSS || q === Q.STANDING_WAVE_RATIO) && u === U.RATIO && v < 1) return "ratio-below-one";
	if (q === Q.HUMIDITY && (v < 0 || v > 100)) return "humidity";
	return undefined;
}

// Asking: a value that is almost surely a slip is asked about once.

const spans: ReadonlyMap<Q, ReadonlyMap<U, readonly [number, number]>> = new Map([
	[
		Q.RETURN_LOSS,
		new Map([
			[U.DECIBELS, [0, 65]],
			[U.RATIO, [1, 20]],
		]),
	],
	[
		Q.STANDING_WAVE_RATIO,
		new Map([
			[U.RATIO, [1, 20]],
			[U.DECIBELS, [0, 65]],
		]),
	],
	[
		Q.INTERMODULATION,
		new Map([
			[U.DECIBELS_CARRIER, [-200, -60]],
			[U.DECIBEL_MILLIWATTS, [-160, -20]],
		]),
	],
	[Q.LINE_LOSS, new Map([[U.DECIBELS, [0, 40]]])],
	[Q.FIBRE_LOSS, new Map([[U.DECIBELS, [0, 45]]])],
	[Q.OPTICAL_RETURN_LOSS, new Map([[U.DECIBELS, [8, 90]]])],
	[Q.OPTICAL_POWER, new Map([[U.DECIBEL_MILLIWATTS, [-70, 25]]])],
	[Q.HUMIDITY, new Map([[U.PERCENT, [0, 100]]])],
	[
		Q.ELAPSED,
		new Map([
			[U.MINUTES, [0, 1440]],
			[U.SECONDS, [0, 86400]],
		]),
	],
	[
		Q.NUMBER,
		new Map([
			[U.COUNT, [0, 1e6]],
			[U.PERCENT, [-100, 1000]],
		]),
	],
	[Q.WIND_SPEED, new Map([[U.METERS_PER_SECOND, [0, 60]]])],
	[Q.TEMPERATURE, new Map([[U.CELSIUS, [-60, 60]]])],
	[Q.HEAT_INDEX, new Map([[U.CELSIUS, [-20, 75]]])],
	[Q.WIND_CHILL, new Map([[U.CELSIUS, [-100, 50]]])],
	[Q.DISTANCE_TO_FAULT, new Map([[U.METERS, [0, 2000]]])],
	[Q.STAND_OFF, new Map([[U.METERS, [0, 500]]])],
	[Q.FALL_CLEARANCE, new Map([[U.METERS, [0, 500]]])],
	[Q.POWER_DENSITY, new Map([[U.WATTS_PER_SQUARE_METER, [0, 1000]]])],
	[Q.LIFT_LOAD, new Map([[U.NEWTONS, [0, 1e6]]])],
] as [Q, Map<U, readonly [number, number]>][]);

function plausible(q: Q, u: Measure_Unit): readonly [number, number] | undefined {
	const of = spans.get(q);
	const direct = of?.get(u);
	if (direct || !of) return direct;
	for (const [from, [low, high]] of of) {
		if (from !== U.METERS_PER_SECOND && from !== U.CELSIUS && from !== U.METERS && from !== U.WATTS_PER_SQUARE_METER) continue;
		const a = convert(low, from, u);
		const b = convert(high, from, u);
		if (a !== undefined && b !== undefined) return [a, b];
	}
	return undefined;
}

function ask(d: Draft, q: Q, v: number, u: Measure_Unit): void {
	const span = plausible(q, u);
	if (u === U.DECIBELS && v < 0) d.warnings.push({ code: "ASK_SIGN", proposal: { value: -v, unit: u } });
	else if (q === Q.INTERMODULATION && v > 0) d.warnings.push({ code: "ASK_SIGN", proposal: { value: -v, unit: u } });
	else if (q === Q.RETURN_LOSS && u === U.DECIBELS && v >= 1 && v < 3)
		d.warnings.push({ code: "ASK_VSWR", proposal: { value: v, unit: U.RATIO } });
	else if ((q === Q.STANDING_WAVE_RATIO || q === Q.RETURN_LOSS) && u === U.RATIO && v > 10 && v <= 65)
		d.warnings.push({ code: "ASK_DECIBELS", proposal: { value: v, unit: U.DECIBELS } });
	else if (span && (v < span[0] || v > span[1])) d.warnings.push({ code: "ASK_UNLIKELY" });
}

interface Coupling {
	readonly low: number;
	readonly high: number;
	readonly upper: number;
}

/** Tool settings accepted per interface in N·m, and the largest torque named: what is far from them is asked about, never refused. */
const couplings: ReadonlyMap<string, Coupling> = new Map([
	["7-16", { low: 24.4, high: 30, upper: 35 }],
	["4.3-10-screw", { low: 5, high: 5, upper: 8 }],
	["4.1-9.5", { low: 10, high: 10, upper: 15 }],
	["n", { low: 0.7, high: 1.1, upper: 1.7 }],
	["n-precision", { low: 1.3, high: 1.7, upper: 0 }],
	["sma-stainless", { low: 0.8, high: 1.1, upper: 1.7 }],
	["sma-brass", { low: 0.3, high: 0.6, upper: 0 }],
]);

const NEAR = 1.06;

function askTorque(d: Draft, iface: string, newton: number, unit: Measure_Unit): void {
	const i = couplings.get(iface.trim().toLowerCase());
	if (!i || (newton >= i.low / NEAR && newton <= Math.max(i.high, i.upper) * NEAR)) return;
	const ratio = newton > i.low ? newton / i.high : newton / i.low;
	const wrench = newton * (i.low >= 10 ? 0.3048 : 0.0254) * 0.45359237 * 9.80665;
	const meant = [newton * 10, newton / 10, wrench, newton * 9.80665, (newton * 9.80665) / 100].find(
		(p) => (p >= i.low && p <= i.high * NEAR) || (i.low === i.high && Math.abs(p / i.low - 1) < NEAR - 1),
	);
	if (meant === undefined && ratio < 5 && ratio > 0.2) return;
	const value = meant === undefined ? undefined : convert(meant, U.NEWTON_METERS, unit);
	d.warnings.push(value === undefined ? { code: "ASK_TORQUE" } : { code: "ASK_TORQUE", proposal: { value: round6(value), unit } });
}

function askSetting(d: Draft, t: TorqueApplied, newton: number): void {
	const s = t.toolSetting;
	if (!s) return;
	const set = convert(s.value, s.unit, U.NEWTON_METERS);
	if (set === undefined || Number.isNaN(set) || Math.abs(set - newton) <= 0.01 * newton) return;
	d.warnings.push({ code: "ASK_SETTING", proposal: { value: round6(convert(set, U.NEWTON_METERS, t.unit)!), unit: t.unit } });
}

function extensionFactor(t: TorqueApplied): number | undefined | Unjudged {
	if (!t.extensionLength) return undefined;
	const reach = convert(t.extensionLength.value, t.extensionLength.unit, U.MILLIMETERS);
	if (reach === undefined || Number.isNaN(reach)) return "extension";
	if (reach === 0) return undefined;
	const lever = t.leverLength && convert(t.leverLength.value, t.leverLength.unit, U.MILLIMETERS);
	if (lever === undefined || Number.isNaN(lever)) return "lever";
	if (t.extensionAngle && t.extensionAngle.unit !== U.DEGREES) return "angle";
	const angle = t.extensionAngle?.value ?? 0;
	if (!(lever > 0 && lever <= 5000) || !(reach >= 0 && reach <= 5000) || !(angle >= 0 && angle <= 180)) return "extension";
	const f = 1 + (reach / lever) * (angle === 90 ? 0 : Math.cos((angle * Math.PI) / 180));
	return f >= 0.05 && f <= 20 ? f : "extension";
}

/** Permitted deviation in percent of a hand torque tool's class, ISO 6789-1:2017: the split of class A as published, the other classes from memory. */
function permittedDeviation(pin: Partial<Pinned>): number | undefined {
	const [type, letter, more] = (pin.toolClass ?? "").trim().toUpperCase().split(/\s+/);
	if (!type || !letter || more !== undefined) return undefined;
	const setting = type === "II" || type === "SETTING";
	if (!setting && type !== "I" && type !== "INDICATING") return undefined;
	if ((setting ? "ABC" : "BCE").includes(letter) && letter.length === 1) return (pin.toolMaximum ?? 10) > 10 ? 4 : 6;
	if ((setting ? "DEFG" : "AD").includes(letter) && letter.length === 1) return 6;
	return undefined;
}

function calibrated(d: Draft, pin: Partial<Pinned>, day: string, value: number): void {
	if (pin.toolCalibratedUntil && day > pin.toolCalibratedUntil) {
		d.toolFlag = true;
		d.warnings.push({ code: "TOOL_EXPIRED" });
	}
	const room = 1e-9 * Math.abs(value);
	if (
		(pin.toolMaximum !== undefined && value > pin.toolMaximum + room) ||
		(pin.toolMinimum !== undefined && value < pin.toolMinimum - room)
	) {
		d.toolFlag = true;
		d.warnings.push({ code: "TOOL_RANGE" });
	}
}
