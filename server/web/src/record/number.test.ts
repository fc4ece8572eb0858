import { describe, expect, it } from "vitest";
import { Quantity, Measure_Unit as U } from "../gen/witnessmark/record/v1/measure_pb";
import { apart, decimal, type Key, measure, numberOf, press, shown, type Typed, typedText } from "./number";
import { convert, signOf } from "./units";

const type = (keys: string, negative = false): Typed => {
	let t: Typed = { digits: "", negative };
	for (const k of keys) t = press(t, (k === "<" ? "delete" : k === "±" ? "sign" : k) as Key);
	return t;
};

describe("the keypad", () => {
	it.each([
		["153.2", true, -153.2, "-153,2 dBc", "−153,2"],
		["25", true, -25, "-25 dBc", "−25"],
		["0", true, 0, "0 dBc", "−0"],
		[".5", false, 0.5, "0,5 dBc", "0,5"],
		["007", false, 7, "7 dBc", "7"],
		["1..2", false, 1.2, "1,2 dBc", "1,2"],
		["12.", false, 12, "12 dBc", "12,"],
		["123<<4", false, 14, "14 dBc", "14"],
		["5±", false, -5, "-5 dBc", "−5"],
		["12345678901", false, 123456789, "123456789 dBc", "123456789"],
	])("%s", (keys, negative, value, text, screen) => {
		const t = type(keys, negative);
		expect(numberOf(t)).toBe(value);
		expect(typedText(t, U.DECIBELS_CARRIER, ",")).toBe(text);
		expect(shown(t, ",")).toBe(screen);
	});
	it("holds no number when nothing or only a point is typed", () => {
		expect(numberOf(type(""))).toBeUndefined();
		expect(numberOf(type("1<"))).toBeUndefined();
	});
	it("fixes the sign by the quantity", () => {
		expect(signOf(Quantity.INTERMODULATION, U.DECIBELS_CARRIER)).toBe("minus");
		expect(signOf(Quantity.RETURN_LOSS, U.DECIBELS)).toBe("plus");
		expect(signOf(Quantity.TORQUE, U.NEWTON_METERS)).toBe("plus");
		expect(signOf(Quantity.TEMPERATURE, U.CELSIUS)).toBe("either");
	});
});

describe("printing", () => {
	it("uses a true minus, no trailing zeros, the language's sign, and tells a value from its bound", () => {
		expect(decimal(-153.2, 6)).toBe("−153.2");
		expect(decimal(-0.0000001, 6)).toBe("0");
		expect(measure(24.4, U.NEWTON_METERS, ",")).toBe("24,4\u00a0N·m");
		expect(apart(24.404724, [24.4, 30])).toBe("24.405");
		expect(apart(24.4, [24.4, 30])).toBe("24.4");
	});
});

describe("units", () => {
	// International yard and pound agreement of 1959, standard gravity (third CGPM, 1901): the exact products.
	it.each([
		[1, U.FOOT_POUNDS, U.NEWTON_METERS, 1.3558179483314],
		[1, U.INCH_POUNDS, U.NEWTON_METERS, 0.1129848290276167],
		[1, U.MILES_PER_HOUR, U.METERS_PER_SECOND, 0.44704],
		[1, U.KNOTS, U.KILOMETERS_PER_HOUR, 1.852],
		[212, U.FAHRENHEIT, U.CELSIUS, 100],
		[-40, U.CELSIUS, U.FAHRENHEIT, -40],
		[1, U.KILOGRAMS, U.NEWTONS, 9.80665],
		[1, U.POUNDS_FORCE, U.NEWTONS, 4.4482216152605],
	])("%d in %d is in %d", (v, from, to, want) => expect(convert(v, from, to)).toBeCloseTo(want, 12));
	it("do not convert between kinds", () => expect(convert(1, U.METERS, U.DECIBELS)).toBeUndefined());
});
