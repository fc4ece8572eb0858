import type { Measure_Unit } from "../gen/witnessmark/record/v1/measure_pb";
import { Measure_Unit as U } from "../gen/witnessmark/record/v1/measure_pb";
import { symbol } from "./units";

export type Separator = "." | ",";

/** Keeps a number and its unit on one line. */
export const NBSP = "\u00a0";

/** v with at most `places` decimals, no trailing zeros, a true minus sign, and the language's decimal sign. */
export function decimal(v: number, places: number, separator: Separator = "."): string {
	if (v === Number.POSITIVE_INFINITY) return "∞";
	if (v === Number.NEGATIVE_INFINITY) return "−∞";
	let s = Math.abs(v).toFixed(places);
	if (s.includes(".")) s = s.replace(/\.?0+$/, "");
	if (v < 0 && s !== "0") s = `−${s}`;
	return separator === "," ? s.replace(".", ",") : s;
}

/** v to 1e-6 with as few digits as it needs. */
export function trimmed(v: number, separator: Separator = "."): string {
	return decimal(v, 6, separator);
}

/** A printed number with its unit. */
export function withUnit(number: string, unit: Measure_Unit): string {
	const s = symbol(unit);
	if (s === "") return number;
	return unit === U.DEGREES ? number + s : number + NBSP + s;
}

export function measure(v: number, unit: Measure_Unit, separator: Separator = "."): string {
	return withUnit(trimmed(v, separator), unit);
}

/** To two places, or as many more as it takes to tell it from the bounds that it is held against. */
export function apart(v: number, bounds: (number | undefined)[], separator: Separator = "."): string {
	let places = 2;
	for (; places < 6; places++) {
		const p = places;
		if (!bounds.some((b) => b !== undefined && decimal(v, p) === decimal(b, p) && Math.abs(v - b) >= 1e-6)) break;
	}
	return decimal(v, places, separator);
}

/** What the keypad holds: digits with at most one decimal point, and the sign. */
export interface Typed {
	readonly digits: string;
	readonly negative: boolean;
}

export type Key = "0" | "1" | "2" | "3" | "4" | "5" | "6" | "7" | "8" | "9" | "." | "delete" | "sign";

const MOST_DIGITS = 9;

/** The keypad after one key. A key that cannot be meant changes nothing. */
export function press(typed: Typed, key: Key): Typed {
	const { digits, negative } = typed;
	if (key === "delete") return { digits: digits.slice(0, -1), negative };
	if (key === "sign") return { digits, negative: !negative };
	if (key === ".") return digits.includes(".") ? typed : { digits: `${digits || "0"}.`, negative };
	if (digits.replace(".", "").length >= MOST_DIGITS) return typed;
	return { digits: digits === "0" ? key : digits + key, negative };
}

/** The number that the keypad holds; undefined while there is none. */
export function numberOf(typed: Typed): number | undefined {
	const d = typed.digits.replace(/\.$/, "");
	if (!/^\d+(\.\d+)?$/.test(d)) return undefined;
	const v = Number(d);
	return typed.negative && v !== 0 ? -v : v;
}

/** The text as it stands in the entry: what was typed, with the decimal sign of the person's language, and the unit. */
export function typedText(typed: Typed, unit: Measure_Unit, separator: Separator): string {
	const d = typed.digits.replace(/\.$/, "").replace(".", separator);
	const s = symbol(unit);
	return (typed.negative && numberOf(typed) !== 0 ? "-" : "") + d + (s === "" ? "" : ` ${s}`);
}

/** The same for the screen, with a true minus. */
export function shown(typed: Typed, separator: Separator): string {
	return (typed.negative ? "−" : "") + typed.digits.replace(".", separator);
}
