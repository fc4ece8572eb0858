import { useLayoutEffect, useRef } from "preact/hooks";
import type { Bound, Judgement } from "../record/judge";
import { apart, trimmed, withUnit } from "../record/number";
import { useWords } from "./words";

/** Places a part of the gauge: styles in attributes are not allowed by the page's policy, those set by script are. */
function At({
	left,
	right,
	as = "i",
	class: name,
	children,
}: {
	left: number;
	right?: number;
	as?: "i" | "span";
	class: string;
	children?: string;
}) {
	const el = useRef<HTMLElement>(null);
	useLayoutEffect(() => {
		const style = el.current?.style;
		if (!style) return;
		style.left = `${left}%`;
		if (right !== undefined) style.right = `${right}%`;
	}, [left, right]);
	const edge = as === "span" ? (left < 14 ? " at-start" : left > 86 ? " at-end" : "") : "";
	const props = { class: name + edge, ref: el as never };
	return as === "i" ? <i {...props} /> : <span {...props}>{children}</span>;
}

/** The scale: the limit in the middle part, the value always on it, the rail's ends at 2 % and 98 %. */
export function scaleOf(
	limit: Pick<Bound, "lower" | "upper">,
	value: number | undefined,
	low?: number,
	high?: number,
): (v: number) => number {
	const points = [limit.lower, limit.upper, value, low, high].filter(
		(v): v is number => v !== undefined && Number.isFinite(v) && Math.abs(v) < 1e7,
	);
	let min = Math.min(...points);
	let max = Math.max(...points);
	const reach = Math.max(max - min, Math.max(Math.abs(max), Math.abs(min)) * 0.02, 0.1);
	const pad = reach * 0.4;
	min -= pad;
	max += pad;
	return (v) => Math.min(98, Math.max(2, (100 * (v - min)) / (max - min)));
}

/** A reading on its limit: the allowed window, the guard band hatched, the value as a line with its error. */
export function Gauge({
	limit,
	value,
	low,
	high,
	guard = 0,
	label,
}: {
	limit: Bound;
	value?: number | undefined;
	low?: number;
	high?: number;
	guard?: number;
	label?: string;
}) {
	const { t, sep } = useWords();
	const at = scaleOf(limit, value, low, high);
	const { lower, upper, unit } = limit;
	const from = lower === undefined ? 0 : at(lower);
	const to = upper === undefined ? 100 : at(upper);
	const bounds = [lower, upper];
	const now = value === undefined ? "" : label || apart(value, bounds, sep);
	const range = lower !== undefined && upper !== undefined;
	const words = value === undefined ? "" : `${now}, `;
	// Two captions that would lie on each other: the second one goes.
	const close = range && to - from < 22;
	return (
		<div
			class="gauge num"
			role="img"
			aria-label={`${words}${t("limit", {
				bound: [lower, upper]
					.filter((b) => b !== undefined)
					.map((b) => trimmed(b!, sep))
					.join(" – "),
			})}`}
		>
			<i class="rail" />
			<At class="win" left={from} right={100 - to} />
			{guard > 0 && upper !== undefined && <At class="guard" left={Math.max(from, at(upper - guard))} right={100 - to} />}
			{guard > 0 && lower !== undefined && <At class="guard" left={from} right={100 - Math.min(to, at(lower + guard))} />}
			{low !== undefined && high !== undefined && high > low && Number.isFinite(high) && (
				<At class="err" left={Number.isFinite(low) ? at(low) : 0} right={100 - at(high)} />
			)}
			{value !== undefined && <At class="needle" left={at(value)} />}
			{value !== undefined && (
				<At as="span" class="now" left={at(value)}>
					{now}
				</At>
			)}
			{lower !== undefined && (
				<At as="span" class="" left={close ? (from + to) / 2 : from}>
					{close
						? `${trimmed(lower, sep)} – ${withUnit(trimmed(upper!, sep), unit)}`
						: range
							? trimmed(lower, sep)
							: t("limit", { bound: trimmed(lower, sep) })}
				</At>
			)}
			{upper !== undefined && !close && (
				<At as="span" class="" left={to}>
					{range ? withUnit(trimmed(upper, sep), unit) : t("limit", { bound: trimmed(upper, sep) })}
				</At>
			)}
		</div>
	);
}

/** The gauge of a judgement. */
export function JudgementGauge({ j }: { j: Judgement }) {
	if (!j.limit || j.why) return null;
	return <Gauge limit={j.limit} value={j.y} low={j.low} high={j.high} guard={j.guard} />;
}
