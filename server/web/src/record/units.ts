import { Quantity as Q, Measure_Unit as U } from "../gen/witnessmark/record/v1/measure_pb";

type Dimension =
	| "torque"
	| "ratio-db"
	| "carrier"
	| "power-level"
	| "gain"
	| "length"
	| "temperature"
	| "power"
	| "frequency"
	| "speed"
	| "mass"
	| "force"
	| "percent"
	| "angle"
	| "ratio"
	| "count"
	| "time"
	| "density"
	| "field"
	| "resistance";

const POUND_FORCE = 0.45359237 * 9.80665;
const GRAVITY = 9.80665;

/** Dimension, printed symbol, and size in the dimension's first unit. The pound, foot, inch and mile are those of 1959, gravity is standard. */
const table: ReadonlyMap<U, readonly [Dimension, string, number]> = new Map([
	[U.NEWTON_METERS, ["torque", "N·m", 1]],
	[U.FOOT_POUNDS, ["torque", "ft·lbf", 0.3048 * POUND_FORCE]],
	[U.INCH_POUNDS, ["torque", "in·lbf", 0.0254 * POUND_FORCE]],
	[U.KILOGRAM_FORCE_METERS, ["torque", "kgf·m", GRAVITY]],
	[U.DECIBELS, ["ratio-db", "dB", 1]],
	[U.DECIBELS_CARRIER, ["carrier", "dBc", 1]],
	[U.DECIBEL_MILLIWATTS, ["power-level", "dBm", 1]],
	[U.DECIBELS_ISOTROPIC, ["gain", "dBi", 1]],
	[U.WATTS, ["power", "W", 1]],
	[U.RATIO, ["ratio", "", 1]],
	[U.PERCENT, ["percent", "%", 1]],
	[U.COUNT, ["count", "", 1]],
	[U.METERS, ["length", "m", 1]],
	[U.MILLIMETERS, ["length", "mm", 0.001]],
	[U.MICROMETERS, ["length", "µm", 1e-6]],
	[U.NANOMETERS, ["length", "nm", 1e-9]],
	[U.KILOMETERS, ["length", "km", 1000]],
	[U.FEET, ["length", "ft", 0.3048]],
	[U.INCHES, ["length", "in", 0.0254]],
	[U.CELSIUS, ["temperature", "°C", 1]],
	[U.FAHRENHEIT, ["temperature", "°F", 5 / 9]],
	[U.METERS_PER_SECOND, ["speed", "m/s", 1]],
	[U.KILOMETERS_PER_HOUR, ["speed", "km/h", 1000 / 3600]],
	[U.MILES_PER_HOUR, ["speed", "mph", 0.44704]],
	[U.KNOTS, ["speed", "kn", 1852 / 3600]],
	[U.MEGAHERTZ, ["frequency", "MHz", 1]],
	[U.GIGAHERTZ, ["frequency", "GHz", 1000]],
	[U.KILOGRAMS, ["mass", "kg", 1]],
	[U.POUNDS, ["mass", "lb", 0.45359237]],
	[U.NEWTONS, ["force", "N", 1]],
	[U.KILONEWTONS, ["force", "kN", 1000]],
	[U.POUNDS_FORCE, ["force", "lbf", POUND_FORCE]],
	[U.DEGREES, ["angle", "°", 1]],
	[U.SECONDS, ["time", "s", 1 / 60]],
	[U.MINUTES, ["time", "min", 1]],
	[U.WATTS_PER_SQUARE_METER, ["density", "W/m²", 1]],
	[U.MILLIWATTS_PER_SQUARE_CENTIMETER, ["density", "mW/cm²", 10]],
	[U.VOLTS_PER_METER, ["field", "V/m", 1]],
	[U.OHMS, ["resistance", "Ω", 1]],
]);

/** The printed form of a unit; empty for ratios and counts. */
export function symbol(unit: U): string {
	return table.get(unit)?.[1] ?? "";
}

/** Value in another unit; undefined where the two are not of one kind. A mass is also the weight that it is at standard gravity. */
export function convert(value: number, from: U, to: U): number | undefined {
	if (from === to) return value;
	const f = table.get(from);
	const t = table.get(to);
	if (!f || !t) return undefined;
	if (f[0] === "temperature" && t[0] === "temperature") return from === U.FAHRENHEIT ? ((value - 32) * 5) / 9 : (value * 9) / 5 + 32;
	if (f[0] === t[0]) return f[2] >= t[2] ? value * (f[2] / t[2]) : value / (t[2] / f[2]);
	if (f[0] === "mass" && t[0] === "force") return (value * f[2] * GRAVITY) / t[2];
	if (f[0] === "force" && t[0] === "mass") return (value * f[2]) / GRAVITY / t[2];
	return undefined;
}

const torque = [U.NEWTON_METERS, U.FOOT_POUNDS, U.INCH_POUNDS, U.KILOGRAM_FORCE_METERS];
const length = [U.METERS, U.FEET, U.KILOMETERS, U.MILLIMETERS, U.INCHES, U.MICROMETERS, U.NANOMETERS];
const speed = [U.METERS_PER_SECOND, U.KILOMETERS_PER_HOUR, U.MILES_PER_HOUR, U.KNOTS];
const degrees = [U.CELSIUS, U.FAHRENHEIT];
const load = [U.KILOGRAMS, U.POUNDS, U.NEWTONS, U.KILONEWTONS, U.POUNDS_FORCE];

const byQuantity: ReadonlyMap<Q, readonly U[]> = new Map<Q, U[]>([
	[Q.RETURN_LOSS, [U.DECIBELS, U.RATIO]],
	[Q.STANDING_WAVE_RATIO, [U.RATIO, U.DECIBELS]],
	[Q.INTERMODULATION, [U.DECIBELS_CARRIER, U.DECIBEL_MILLIWATTS]],
	[Q.LINE_LOSS, [U.DECIBELS]],
	[Q.DISTANCE_TO_FAULT, length],
	[Q.FIBRE_LOSS, [U.DECIBELS]],
	[Q.OPTICAL_RETURN_LOSS, [U.DECIBELS]],
	[Q.OPTICAL_POWER, [U.DECIBEL_MILLIWATTS]],
	[Q.TORQUE, torque],
	[Q.WIND_SPEED, speed],
	[Q.TEMPERATURE, degrees],
	[Q.HUMIDITY, [U.PERCENT]],
	[Q.HEAT_INDEX, degrees],
	[Q.WIND_CHILL, degrees],
	[Q.POWER_DENSITY, [U.WATTS_PER_SQUARE_METER, U.MILLIWATTS_PER_SQUARE_CENTIMETER]],
	[Q.STAND_OFF, length],
	[Q.FALL_CLEARANCE, length],
	[Q.LIFT_LOAD, load],
	[Q.RIGGING_LOAD, load],
	[Q.LENGTH, length],
	[Q.NUMBER, [U.COUNT, U.PERCENT, U.RATIO]],
	[Q.ELAPSED, [U.MINUTES, U.SECONDS]],
]);

/** The units that a quantity may be given in, the usual one first. */
export function unitsFor(quantity: Q): readonly U[] {
	return byQuantity.get(quantity) ?? [];
}

export type Sign = "plus" | "minus" | "either";

/** The sign that the keypad fixes: a loss is positive, a level of intermodulation negative; where both occur it is toggled. */
export function signOf(quantity: Q, unit: U): Sign {
	if (quantity === Q.INTERMODULATION) return "minus";
	if (unit === U.DECIBEL_MILLIWATTS || unit === U.CELSIUS || unit === U.FAHRENHEIT || quantity === Q.FIBRE_LOSS || quantity === Q.LINE_LOSS)
		return "either";
	return "plus";
}

/** Rounds to 1e-6, as every number that a verdict gives out. */
export function round6(v: number): number {
	if (!Number.isFinite(v)) return v;
	const r = (Math.sign(v) * Math.round(Math.abs(v) * 1e6)) / 1e6;
	return Number.isFinite(r) ? r + 0 : v;
}
