import { useEffect } from "preact/hooks";
import type { Measure_Unit, Quantity } from "../gen/witnessmark/record/v1/measure_pb";
import { Measure_Unit as U } from "../gen/witnessmark/record/v1/measure_pb";
import { type Key, press, shown, type Typed } from "../record/number";
import { signOf, symbol, unitsFor } from "../record/units";
import { useWords } from "./words";

/** An empty field for a quantity: its sign is fixed by the quantity. */
export function emptyTyped(quantity: Quantity, unit: Measure_Unit): Typed {
	return { digits: "", negative: signOf(quantity, unit) === "minus" };
}

/** What is typed, large, with its unit. Another unit clears the number. */
export function Display({
	typed,
	unit,
	units,
	change,
	empty,
}: {
	typed: Typed;
	unit: Measure_Unit;
	units: readonly Measure_Unit[];
	change?: ((unit: Measure_Unit) => void) | undefined;
	empty: string;
}) {
	const { sep } = useWords();
	const next = units[(units.indexOf(unit) + 1) % units.length];
	const name = symbol(unit) || (unit === U.RATIO ? ": 1" : "");
	return (
		<div class="display num">
			{typed.digits === "" ? <b class="empty">{typed.negative ? `− ${empty}` : empty}</b> : <b aria-live="polite">{shown(typed, sep)}</b>}
			{change && next !== undefined && units.length > 1 ? (
				<button type="button" onClick={() => change(next)}>
					{name} ▾
				</button>
			) : (
				<span class="big">
					<small>{name}</small>
				</span>
			)}
		</div>
	);
}

/** Our own keypad: digits, decimal sign of the language, and a sign key where both signs occur. A keyboard works too. */
export function Keypad({ quantity, unit, typed, set }: { quantity: Quantity; unit: Measure_Unit; typed: Typed; set: (t: Typed) => void }) {
	const { t, sep } = useWords();
	const either = signOf(quantity, unit) === "either";
	const whole = unit === U.COUNT;
	useEffect(() => {
		const onKey = (e: KeyboardEvent) => {
			if (e.target instanceof HTMLInputElement || e.target instanceof HTMLTextAreaElement || e.ctrlKey || e.metaKey || e.altKey) return;
			const key: Key | undefined = /^[0-9]$/.test(e.key)
				? (e.key as Key)
				: (e.key === "." || e.key === ",") && !whole
					? "."
					: e.key === "Backspace"
						? "delete"
						: e.key === "-" && either
							? "sign"
							: undefined;
			if (!key) return;
			e.preventDefault();
			set(press(typed, key));
		};
		addEventListener("keydown", onKey);
		return () => removeEventListener("keydown", onKey);
	});
	const digit = (k: Key) => (
		<button type="button" key={k} onClick={() => set(press(typed, k))}>
			{k}
		</button>
	);
	return (
		<div class={`keys num${either ? " five" : ""}`}>
			{(["1", "2", "3", "4", "5", "6", "7", "8", "9"] as const).map(digit)}
			{whole ? (
				<span />
			) : (
				<button type="button" onClick={() => set(press(typed, "."))}>
					{sep}
				</button>
			)}
			{digit("0")}
			<button type="button" class="word" onClick={() => set(press(typed, "delete"))}>
				{t("delete")}
			</button>
			{either && (
				<button type="button" class="word" onClick={() => set(press(typed, "sign"))}>
					{t("sign")}
				</button>
			)}
		</div>
	);
}

export { unitsFor };
