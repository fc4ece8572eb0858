// A verdict in words: value, limit, where the limit comes from, what the
// uncertainty did, and what to do next. In English it is word for word what the
// server says.

import { ReadingTaken_Direction as Direction } from "../gen/witnessmark/record/v1/entry_pb";
import { Verdict } from "../gen/witnessmark/record/v1/line_pb";
import { type Measure_Unit, Quantity as Q, Measure_Unit as U } from "../gen/witnessmark/record/v1/measure_pb";
import type { Bound, Judgement } from "../record/judge";
import { apart, measure, type Separator, trimmed, withUnit } from "../record/number";
import { round6 } from "../record/units";
import type { Key, Translate } from ".";

export interface Said {
	sentence: string;
	advice: string;
}

/** A limit in words: "24.4 to 30 N·m", "at most −150 dBc". */
export function limitPhrase(l: Pick<Bound, "lower" | "upper" | "unit">, t: Translate, sep: Separator): string {
	if (l.lower !== undefined && l.upper !== undefined)
		return t("between", { low: trimmed(l.lower, sep), high: measure(l.upper, l.unit, sep) });
	if (l.lower !== undefined) return t("at-least", { value: measure(l.lower, l.unit, sep) });
	if (l.upper !== undefined) return t("at-most", { value: measure(l.upper, l.unit, sep) });
	return t("no-limit");
}

const differenceUnit = (u: Measure_Unit) => (u === U.DECIBELS_CARRIER || u === U.DECIBEL_MILLIWATTS ? U.DECIBELS : u);

/** What is said of a judgement. `iface` is the connection's interface, for a torque. */
export function say(j: Judgement, t: Translate, sep: Separator, iface = ""): Said {
	const l = j.limit;
	const bounds = l ? [l.lower, l.upper] : [];
	const about = (v: number) => withUnit(apart(v, bounds, sep), l?.unit ?? j.unit);
	const phrase = l ? limitPhrase(l, t, sep) : "";
	const own = measure(j.value, j.unit, sep);
	let value = own;
	const of = iface && j.quantity === Q.TORQUE ? t("say.for", { interface: iface }) : "";
	if (j.extension && l) value = t("say.at-tool", { tool: own, fastener: about(j.y) });
	else if (l && l.unit !== j.unit && j.why === undefined) value = `${own} (${about(j.y)})`;
	const fibre = [
		j.wavelength ? t("say.wavelength", { value: measure(j.wavelength.value, j.wavelength.unit, sep) }) : "",
		j.direction === Direction.NEAR_TO_FAR ? t("say.near-far") : j.direction === Direction.FAR_TO_NEAR ? t("say.far-near") : "",
	].filter((w) => w !== "");
	if (fibre.length > 0) value += ` ${fibre.join(" ")}`;

	if (j.later) return { sentence: t("say.later", { value: own }), advice: "" };
	switch (j.why) {
		case undefined:
			break;
		case "no-number":
			return { sentence: t("say.no-number"), advice: t("advice.setup") };
		case "not-finite":
			return { sentence: t("say.not-finite"), advice: t("advice.again") };
		case "carrier":
			return { sentence: t("say.cannot-compare", { value, limit: phrase, why: t("why.carrier") }), advice: t("advice.missing") };
		case "negative-loss":
			return { sentence: t("say.cannot", { value, why: t("why.negative-loss") }), advice: t("advice.reference") };
		case "ratio-below-one":
			return { sentence: t("say.cannot", { value, why: t("why.ratio-below-one") }), advice: t("advice.calibrate") };
		case "lever":
		case "extension":
		case "angle":
			return { sentence: t("say.cannot", { value: own, why: t(`why.${j.why}`) }), advice: t("advice.geometry") };
		default:
			return { sentence: t("say.cannot", { value: own, why: t(`why.${j.why}`) }), advice: t("advice.again") };
	}
	if (!l || j.verdict === Verdict.RECORDED) return { sentence: t("say.recorded", { value: `${value}${of}` }), advice: "" };

	const source = t("say.source", { source: sourceIn(l.source, t) });
	if (j.atMost && j.residual !== undefined) {
		const start = t("say.at-or-under", { value, residual: about(j.residual), high: about(j.high) });
		if (j.verdict === Verdict.NOT_MEASURABLE)
			return { sentence: t("say.at-most-cannot", { start, limit: phrase }) + source, advice: t("advice.kit-cannot") };
		const proven = j.verdict === Verdict.PASS;
		return {
			sentence: `${t("say.at-most-within", { start, limit: phrase })}${proven ? "" : t("say.not-proven")}.${source}`,
			advice: proven ? "" : t("advice.np-intermodulation"),
		};
	}

	let tail = "";
	if (j.kitUnknown) tail += t("say.kit-unknown");
	if (j.classUnknown) tail += t("say.class-unknown");
	if (j.residual !== undefined)
		tail += t("say.true-level", { residual: about(j.residual), low: apart(j.low, bounds, sep), high: about(j.high) });
	if (j.band > 0) tail += t("say.guard", { value: measure(round6(j.band), differenceUnit(l.unit), sep) });
	const where = place(j, l, value, phrase, of, t, sep);
	switch (j.verdict) {
		case Verdict.PASS:
			return { sentence: `${where}.${source}${tail}`, advice: "" };
		case Verdict.PASS_NOT_PROVEN: {
			const unknown = j.uncertaintyUnknown ? t("say.no-uncertainty") : "";
			return {
				sentence: `${where}${t("say.not-proven")}.${source}${unknown}${tail}`,
				advice: t(j.kitUnknown ? "advice.kit" : j.uncertaintyUnknown ? "advice.np-uncertainty" : notProven(j.quantity)),
			};
		}
		default: {
			const error = j.insideUncertainty ? t(j.quantity === Q.TORQUE ? "say.tool-error-larger" : "say.error-larger") : "";
			const better = j.insideUncertainty && j.quantity === Q.INTERMODULATION && j.residual !== undefined ? t("advice.better-kit") : "";
			return { sentence: `${where}${error}.${source}${tail}`, advice: t(failing(j, l)) + better };
		}
	}
}

function place(j: Judgement, l: Bound, value: string, limit: string, of: string, t: Translate, sep: Separator): string {
	const both = l.lower !== undefined && l.upper !== undefined;
	if (j.inside) return t(both ? "say.within-both" : "say.within", { value, limit, of });
	const gapOf = (v: number) => withUnit(apart(round6(v), [0], sep), differenceUnit(l.unit));
	if (l.upper !== undefined && j.y > l.upper) {
		if (j.y >= 1e8) return t("say.over-far", { value, limit, of });
		return t(both ? "say.over-both" : "say.over", { value, limit, of, gap: gapOf(j.y - l.upper) });
	}
	return t(both ? "say.under-both" : "say.under", { value, limit, of, gap: gapOf((l.lower ?? 0) - j.y) });
}

function notProven(q: Q): Key {
	if (q === Q.INTERMODULATION) return "advice.np-intermodulation";
	if (q === Q.RETURN_LOSS || q === Q.STANDING_WAVE_RATIO) return "advice.np-match";
	return q === Q.TORQUE ? "advice.np-torque" : "advice.np-other";
}

function failing(j: Judgement, l: Bound): Key {
	switch (j.quantity) {
		case Q.INTERMODULATION:
			return "advice.intermodulation";
		case Q.RETURN_LOSS:
		case Q.STANDING_WAVE_RATIO:
			return "advice.match";
		case Q.LINE_LOSS:
			return "advice.line-loss";
		case Q.FIBRE_LOSS:
		case Q.OPTICAL_RETURN_LOSS:
			return "advice.fibre";
		case Q.WIND_SPEED:
		case Q.HEAT_INDEX:
		case Q.WIND_CHILL:
		case Q.ELAPSED:
		case Q.TEMPERATURE:
			return "advice.weather";
		case Q.STAND_OFF:
		case Q.POWER_DENSITY:
			return "advice.field";
		case Q.FALL_CLEARANCE:
			return "advice.clearance";
		case Q.LIFT_LOAD:
		case Q.RIGGING_LOAD:
			return "advice.load";
		case Q.TORQUE:
			return l.upper !== undefined && j.y > l.upper ? "advice.torque-high" : "advice.torque-low";
		default:
			return "advice.other";
	}
}

const sourceWords: readonly (readonly [string, string])[] = [
	["common practice", "práctica común"],
	["this company", "esta empresa"],
	["the owner", "el propietario"],
	["the maker", "el fabricante"],
	["from memory, not confirmed; to be looked up in", "de memoria, sin confirmar; consúltese"],
	["computed", "calculado"],
	["no source given", "sin fuente"],
];

/** A printed source in the language of t: the fixed words in front change, a citation never does. */
export function sourceIn(source: string, t: Translate): string {
	const s = source.replace(/\.$/, "");
	if (t("yes") === "Yes") return s;
	const found = sourceWords.find(([en]) => s === en || s.startsWith(`${en}: `));
	return found ? found[1] + s.slice(found[0].length) : s;
}
