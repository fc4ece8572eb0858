// One step as a reader needs it: how it stands, against which limit, every
// entry, the working, the photos, the trace.

import type { ComponentChildren } from "preact";
import { useEffect, useState } from "preact/hooks";
import { hex } from "../../bytes";
import { EndFaceGrade_Outcome as Grade } from "../../gen/witnessmark/record/v1/entry_pb";
import { type Assessment_AppliedLimit, StepState as S, Verdict } from "../../gen/witnessmark/record/v1/line_pb";
import { Measure_Unit as U } from "../../gen/witnessmark/record/v1/measure_pb";
import { Limit_Decision_Rule as Rule } from "../../gen/witnessmark/record/v1/procedure_pb";
import type { EntryView, JobView_PhotoView, StepView } from "../../gen/witnessmark/v1/jobs_pb";
import { type Sign, Stripe } from "../../parts/basic";
import { Photo, type Shot } from "../../parts/desk";
import { Gauge } from "../../parts/gauge";
import { procedureText } from "../../record/expand";
import { decimal, measure, trimmed, withUnit } from "../../record/number";
import { readTouchstone, type Trace } from "../../record/touchstone";
import { convert } from "../../record/units";
import { moment, span } from "../../text";
import type { DeskKey, DeskWords } from "../../text/lead";
import { useDeskWords } from "../../text/lead";
import { sourceIn } from "../../text/say";
import { entryWords } from "../step";
import { filePath, getFile } from "./desk";
import { type Review, readLine, type StepOf, timeOf } from "./review";

// --- words

export function personOf(r: Review, name: string, w: DeskWords): string {
	return r.names.get(name) || w.person(name);
}

export function stepTitle(r: Review, s: StepOf, language: string): string {
	if (!s.def || !r.procedure) return s.view.id;
	return procedureText(r.procedure, language, `section/${s.view.section}/step/${s.view.step}/title`, s.def.title);
}

export function sectionTitle(r: Review, id: string, language: string): string {
	const s = r.procedure?.sections.find((x) => x.id === id);
	return r.procedure ? procedureText(r.procedure, language, `section/${id}/title`, s?.title ?? id) : id;
}

export function placeTitle(s: StepOf | undefined): string {
	return s?.connection?.title || s?.connection?.id || s?.line?.title || s?.line?.id || "";
}

/** "A1 top: Torque the coupling nut". */
export function stepName(r: Review, id: string, language: string): string {
	const s = r.byId.get(id);
	if (!s) return id;
	const place = placeTitle(s);
	return place ? `${place}: ${stepTitle(r, s, language)}` : stepTitle(r, s, language);
}

/** The sign for how a step stands, and its words. */
export function standing(s: Pick<StepView, "state" | "verdict"> & { measured?: boolean }): { sign: Sign; key: DeskKey } {
	switch (s.state) {
		case S.COMPLETE:
			if (s.verdict === Verdict.PASS_NOT_PROVEN) return { sign: "dashed", key: "verdict.not-proven" };
			return { sign: "whole", key: s.verdict === Verdict.PASS ? "verdict.pass" : "state.complete" };
		case S.NOT_NEEDED:
			return { sign: "whole", key: "state.not-needed" };
		case S.DEVIATING:
			return { sign: "dashed", key: "state.deviating" };
		case S.OUT_OF_LIMITS:
			if (s.verdict === Verdict.NOT_MEASURABLE) return { sign: "hollow", key: "verdict.not-measurable" };
			return { sign: "broken", key: s.verdict === Verdict.FAIL ? "verdict.fail" : "state.not-right" };
		case S.RETURNED:
			return { sign: "broken", key: "state.returned" };
		case S.WAITING:
			return { sign: "dashed", key: "state.waiting" };
		default:
			return { sign: "hollow", key: "state.open" };
	}
}

const verdictKeys: Partial<Record<Verdict, DeskKey>> = {
	[Verdict.PASS]: "verdict.pass",
	[Verdict.PASS_NOT_PROVEN]: "verdict.not-proven",
	[Verdict.FAIL]: "verdict.fail",
	[Verdict.NOT_MEASURABLE]: "verdict.not-measurable",
	[Verdict.RECORDED]: "verdict.recorded",
};

export function boundText(l: Pick<Assessment_AppliedLimit, "lower" | "upper" | "unit">, w: DeskWords): string {
	if (l.lower !== undefined && l.upper !== undefined)
		return w.t("between", { low: trimmed(l.lower, w.sep), high: measure(l.upper, l.unit, w.sep) });
	if (l.lower !== undefined) return w.t("at-least", { value: measure(l.lower, l.unit, w.sep) });
	if (l.upper !== undefined) return w.t("at-most", { value: measure(l.upper, l.unit, w.sep) });
	return w.t("no-limit");
}

/** The number of a reading or torque, in the limit's unit; undefined where it has none. */
function numberOf(e: EntryView | undefined, unit: U): number | undefined {
	const k = e?.entry?.kind;
	if (k?.case === "readingTaken" && !k.value.notMeasurable) return convert(k.value.value, k.value.unit, unit);
	if (k?.case === "torqueApplied" && !k.value.extensionLength) return convert(k.value.value, k.value.unit, unit);
	return undefined;
}

export function counting(s: StepView): EntryView | undefined {
	return s.entries.findLast((e) => e.counts && !e.withdrawn);
}

/** What a step's counting entry says, short. */
export function valueText(s: StepOf, w: DeskWords): string {
	const e = counting(s.view);
	if (!e?.entry) return "";
	const k = e.entry.kind;
	if (k.case === "photoAttached" || k.case === "acknowledged" || k.case === "kitChecked" || k.case === "traceAttached") return "";
	return entryWords({ entry: e.entry }, w);
}

/** The photos of a step or of everything at a place, before beside after. */
export function shotsOf(r: Review, w: DeskWords, photos: readonly JobView_PhotoView[]): Shot[] {
	return photos.map((p) => {
		const s = r.byId.get(p.step);
		const subject = s?.def?.kind.case === "photo" ? s.def.kind.value.subjects.find((x) => x.id === p.subject) : undefined;
		const title =
			r.procedure && s && subject
				? procedureText(r.procedure, w.language, `section/${s.view.section}/step/${s.view.step}/subject/${subject.id}`, subject.title)
				: p.subject || (s ? stepTitle(r, s, w.language) : p.step);
		const findings = p.findings.filter((f) => f.exception).length;
		const small = [
			findings > 0 ? w.t("photo.findings", { n: findings }) : "",
			p.endFace ? w.t(`end-face.${p.endFace.outcome}` as DeskKey) : "",
			p.received && !p.examined ? w.t("photo.not-examined") : "",
		].filter((x) => x);
		return {
			job: r.name,
			digest: p.digest,
			title: [placeTitle(s), title].filter((x) => x).join(", "),
			small: small.join(" · "),
			received: p.received,
			readable: p.readable || !p.examined,
			overlay: p.endFace !== undefined && p.endFace.outcome !== Grade.OUTCOME_UNSPECIFIED,
		};
	});
}

/** Photos in the order that puts each beside the one it belongs to. */
export function besides(r: Review, photos: readonly JobView_PhotoView[]): JobView_PhotoView[] {
	const rest = [...photos];
	const out: JobView_PhotoView[] = [];
	const subjectOf = (p: JobView_PhotoView) => {
		const s = r.byId.get(p.step);
		return s?.def?.kind.case === "photo" ? s.def.kind.value.subjects.find((x) => x.id === p.subject) : undefined;
	};
	while (rest.length > 0) {
		const p = rest.shift()!;
		out.push(p);
		const at = rest.findIndex((q) => {
			const a = r.byId.get(p.step);
			const b = r.byId.get(q.step);
			return a?.view.scope === b?.view.scope && (subjectOf(q)?.beside === p.subject || subjectOf(p)?.beside === q.subject);
		});
		if (at >= 0) out.push(...rest.splice(at, 1));
	}
	return out;
}

export function Photos({ r, photos }: { r: Review; photos: readonly JobView_PhotoView[] }) {
	const w = useDeskWords();
	const shots = shotsOf(r, w, besides(r, photos));
	if (shots.length === 0) return null;
	return (
		<div class="pairs">
			{shots.map((s, i) => (
				<Photo key={`${s.digest}${i}`} desk={r.desk} shot={s} all={shots} />
			))}
		</div>
	);
}

/** What was found about photos: each in words, with what was measured against what. */
export function Findings({ photos }: { photos: readonly JobView_PhotoView[] }) {
	const w = useDeskWords();
	const found = photos.flatMap((p) => p.findings.map((f) => ({ p, f })));
	const faces = photos.filter((p) => p.endFace);
	return (
		<>
			{found.map(({ p, f }) => (
				<div class={`find${f.exception ? "" : " soft-wash"}`} key={p.digest + f.code}>
					<Stripe sign={f.exception ? "dashed" : "whole"} />
					<span>
						<b>{w.known("finding", f.code)}</b> {f.sentence}
						{f.threshold !== 0 && (
							<small class="work num">
								{" "}
								{w.t("finding.measured", { measured: decimal(f.measured, 2, w.sep), threshold: decimal(f.threshold, 2, w.sep) })}
								{f.source ? ` · ${sourceIn(f.source, w.t as never)}` : ""}
							</small>
						)}
					</span>
				</div>
			))}
			{faces.map((p) => (
				<div key={`face-${p.digest}`}>
					<h2>{w.t("end-face.title")}</h2>
					<p>
						<b>{w.t(`end-face.${p.endFace!.outcome}` as DeskKey)}</b> · {p.endFace!.ruleSet}
					</p>
					<p class="work">
						{p.endFace!.sentence} {w.t("end-face.aid")}
					</p>
					{p.endFace!.cells.length > 0 && (
						<table class="num">
							<thead>
								<tr>
									<th>{w.t("end-face.zone")}</th>
									<th>{w.t("end-face.kind")}</th>
									<th>{w.t("end-face.count")}</th>
									<th>{w.t("end-face.largest")}</th>
									<th>{w.t("end-face.rule")}</th>
								</tr>
							</thead>
							<tbody>
								{p.endFace!.cells.map((c) => (
									<tr key={`${c.zone}${c.kind}`}>
										<td>{c.zone}</td>
										<td>{w.known("end-face.kind", c.kind)}</td>
										<td>{c.count}</td>
										<td>{c.count > 0 ? withUnit(decimal(c.largestMicrometers, 1, w.sep), U.MICROMETERS) : "–"}</td>
										<td>
											<Stripe sign={c.pass ? "whole" : "broken"} /> {w.t(c.pass ? "within" : "out")}
										</td>
									</tr>
								))}
							</tbody>
						</table>
					)}
				</div>
			))}
		</>
	);
}

/** How a step stands: word, number, one sentence, the window; what to do next; the working folded below. */
export function StepVerdict({ s }: { s: StepOf }) {
	const w = useDeskWords();
	const { view } = s;
	const { sign, key } = standing(view);
	const wash = sign === "broken" ? "bad" : sign === "dashed" ? "unsure" : sign === "hollow" ? "plain" : "";
	const e = counting(view);
	const l = view.limit;
	const value = l ? numberOf(e, l.unit) : undefined;
	const number = valueText(s, w);
	return (
		<>
			<div class={`verdict ${wash}`}>
				<Stripe sign={sign} />
				<div>
					<strong>{w.t(key).toUpperCase()}</strong>
					{number && /\d/.test(number) && number.length < 24 && <div class="big num">{number}</div>}
					<p class="num">{view.sentence}</p>
				</div>
				{l && (l.lower !== undefined || l.upper !== undefined) && (
					<Gauge
						limit={{
							lower: l.lower,
							upper: l.upper,
							unit: l.unit,
							source: l.source,
							rule: Rule.RULE_UNSPECIFIED,
							guardFactor: 0,
							expandedUncertainty: 0,
						}}
						value={value}
						guard={l.guard}
					/>
				)}
			</div>
			{view.advice && <p class="num">{view.advice}</p>}
			{l && (
				<p class="work num">
					{w.t("working.limit")} <b>{boundText(l, w)}</b>: {sourceIn(l.source, w.t as never)}
					{/[.!?]$/.test(l.source) ? "" : "."} {w.t("limit.owner-wins")}
				</p>
			)}
			{view.working && view.working.terms.length > 0 && (
				<details>
					<summary>{w.t("how-judged")}</summary>
					<div class="work">
						<p>{view.working.formula}</p>
						<table class="num">
							<tbody>
								{view.working.terms.map((x, i) => (
									<tr key={i}>
										<th>{x.name}</th>
										<td class="num">
											{decimal(x.value, 4, w.sep).replace(/[.,]?0+$/, (z) => (/[.,]/.test(z) ? "" : z))} {x.unit}
										</td>
									</tr>
								))}
							</tbody>
						</table>
						{view.working.leftOut.length > 0 && (
							<p>
								{w.t("working.left-out")} {view.working.leftOut.join("; ")}.
							</p>
						)}
					</div>
				</details>
			)}
		</>
	);
}

/** Every entry on a step, the newest last: who, when by which clock, what, how it was judged. */
export function Entries({ r, s, mark = [] }: { r: Review; s: StepOf; mark?: readonly number[] }) {
	const w = useDeskWords();
	const zone = r.job?.zone;
	if (s.view.entries.length === 0) return <p class="why">{w.t("entries.none")}</p>;
	return (
		<ul class="list">
			{s.view.entries.map((e) => {
				if (!e.entry) return null;
				const key = verdictKeys[e.verdict];
				const said = timeOf(e.time);
				const got = timeOf(e.receiveTime);
				const device = timeOf(e.entry.deviceTime);
				const off = e.entry.clockOffset ? Number(e.entry.clockOffset.seconds) * 1000 + e.entry.clockOffset.nanos / 1e6 : undefined;
				const sign: Sign = e.withdrawn
					? "hollow"
					: e.verdict === Verdict.FAIL
						? "broken"
						: e.verdict === Verdict.PASS_NOT_PROVEN
							? "dashed"
							: e.verdict === Verdict.NOT_MEASURABLE
								? "hollow"
								: "whole";
				return (
					<li key={e.entry.id} class="row" aria-current={mark.includes(Number(e.seq)) ? "true" : undefined}>
						<Stripe sign={sign} />
						<span>
							{describe(e, w)}
							{key ? <b> {w.t(key).toLowerCase()}</b> : ""}
							{e.sentence && key && <small class="num">{e.sentence}</small>}
							<small class="num">
								{[
									personOf(r, e.entry.author, w),
									moment(said || device, w.language, zone),
									w.t("entry.line", { n: Number(e.seq) }),
									e.counts ? w.t("entry.counts") : "",
									e.withdrawn ? w.t("step.withdrawn") : "",
								]
									.filter((x) => x)
									.join(" · ")}
							</small>
							{(off === undefined ? device > 0 : Math.abs(off) > 120_000) && (
								<small class="num">
									{off === undefined
										? w.t("entry.clock-unknown", { time: moment(device, w.language, zone), received: moment(got, w.language, zone) })
										: w.t("entry.clock-off", {
												time: moment(device, w.language, zone),
												off: span(-off, w.language),
												received: moment(got, w.language, zone),
											})}
								</small>
							)}
						</span>
					</li>
				);
			})}
		</ul>
	);
}

function describe(e: EntryView, w: DeskWords): string {
	const k = e.entry?.kind;
	switch (k?.case) {
		case "deviationAccepted":
			return `${w.t("entry.deviation-accepted")}: ${k.value.reason}`;
		case "withdrawn":
			return `${w.t("kind.withdrawn")}: ${k.value.mistyped ? w.t("entry.mistyped") : k.value.reason}`;
		case "traceAttached":
			return `${w.t("kind.traceAttached")} ${k.value.fileName}`;
		case "kitChecked":
			return `${w.t("kind.kitChecked")}: ${k.value.parts
				.map((p) => (p.read ? measure(p.read.value, p.read.unit, w.sep) : ""))
				.filter((x) => x)
				.join(", ")}`;
		case "returnedForRework":
			return `${w.t("entry.returned")}: ${k.value.reason}`;
		default:
			return e.entry ? entryWords({ entry: e.entry }, w) : "";
	}
}

// --- traces

/** The worst of each band as the server computed it, from the line that says so. */
function bandsOf(r: Review, digest: string): { low: number; high: number; loss: number; at: number }[] {
	for (let i = r.lines.length - 1; i >= 0; i--) {
		const raw = r.lines[i]!;
		let e: Record<string, unknown>;
		try {
			e = readLine(raw).entry;
		} catch {
			continue; // a line of a form that this client does not know: nothing to draw from it
		}
		const t = e.traceReceived as { digest?: string; bands?: Record<string, number>[] } | undefined;
		if (!t?.digest || hexOfBase64(t.digest) !== digest) continue;
		return (t.bands ?? []).map((b) => ({
			low: Number(b.lowMhz ?? 0),
			high: Number(b.highMhz ?? 0),
			loss: Number(b.returnLossDb ?? 0),
			at: Number(b.atMhz ?? 0),
		}));
	}
	return [];
}

function hexOfBase64(s: string): string {
	try {
		return hex(Uint8Array.from(atob(s), (c) => c.charCodeAt(0)));
	} catch {
		return "";
	}
}

/** The traces of a step: drawn from the instrument's own file where it is simple, else the computed values. */
export function Traces({ r, s }: { r: Review; s: StepOf }) {
	const traces = s.view.entries.filter((e) => e.entry?.kind.case === "traceAttached" && !e.withdrawn);
	return (
		<>
			{traces.map((e) => {
				const k = e.entry!.kind;
				return k.case === "traceAttached" ? (
					<TraceOf key={e.entry!.id} r={r} s={s} digest={hex(k.value.digest)} name={k.value.fileName} />
				) : null;
			})}
		</>
	);
}

function TraceOf({ r, s, digest, name }: { r: Review; s: StepOf; digest: string; name: string }) {
	const w = useDeskWords();
	const [trace, setTrace] = useState<Trace | "none" | undefined>();
	useEffect(() => {
		let gone = false;
		getFile(r.desk, filePath(r.name, digest, 0))
			.then((b) => b.text())
			.then((text) => readTouchstone(text) ?? "none")
			.catch(() => "none" as const) // not here yet, or not to be read: the computed values stand below
			.then((t) => !gone && setTrace(t));
		return () => {
			gone = true;
		};
	}, [r, digest]);
	const bands = bandsOf(r, digest);
	return (
		<div>
			<h2>{w.t("trace.title", { name })}</h2>
			{trace === undefined && <p class="why">{w.t("loading")}</p>}
			{trace && trace !== "none" && <Plot trace={trace} lower={s.view.limit?.unit === U.DECIBELS ? s.view.limit.lower : undefined} />}
			{trace === "none" && <p class="why">{w.t("trace.not-drawn")}</p>}
			{bands.length > 0 && (
				<table class="num">
					<thead>
						<tr>
							<th>{w.t("trace.band")}</th>
							<th>{w.t("trace.worst")}</th>
							<th>{w.t("trace.at")}</th>
						</tr>
					</thead>
					<tbody>
						{bands.map((b) => (
							<tr key={b.low}>
								<td>
									{trimmed(b.low, w.sep)} – {measure(b.high, U.MEGAHERTZ, w.sep)}
								</td>
								<td>{measure(Math.round(b.loss * 100) / 100, U.DECIBELS, w.sep)}</td>
								<td>{measure(Math.round(b.at * 10) / 10, U.MEGAHERTZ, w.sep)}</td>
							</tr>
						))}
					</tbody>
				</table>
			)}
		</div>
	);
}

/** Return loss over frequency, with the limit: better is up. */
export function Plot({ trace, lower }: { trace: Trace; lower: number | undefined }) {
	const w = useDeskWords();
	const W = 720;
	const H = 300;
	const left = 58;
	const bottom = 34;
	const f0 = trace.frequency[0]!;
	const f1 = trace.frequency.at(-1)!;
	const shown = trace.loss.map((l) => Math.min(60, Math.max(-5, Number.isFinite(l) ? l : 60)));
	const top = Math.ceil((Math.max(...shown, (lower ?? 0) + 5) + 1) / 10) * 10;
	const low = Math.min(0, Math.floor(Math.min(...shown) / 5) * 5);
	const x = (f: number) => left + ((W - left - 12) * (f - f0)) / (f1 - f0);
	const y = (l: number) => 12 + ((H - 12 - bottom) * (top - l)) / (top - low);
	// As many points as can be seen, the worst of each group kept: a dip must not vanish.
	const every = Math.max(1, Math.floor(shown.length / 900));
	const points: string[] = [];
	for (let i = 0; i < shown.length; i += every) {
		let worst = i;
		for (let k = i; k < Math.min(i + every, shown.length); k++) if (shown[k]! < shown[worst]!) worst = k;
		points.push(`${x(trace.frequency[worst]!).toFixed(1)},${y(shown[worst]!).toFixed(1)}`);
	}
	let worst = 0;
	for (let i = 0; i < shown.length; i++) if (shown[i]! < shown[worst]!) worst = i;
	const marks: number[] = [];
	for (let l = low; l <= top; l += 10) marks.push(l);
	const mhz = (f: number) => trimmed(Math.round(f * 10) / 10, w.sep);
	return (
		<svg
			class="plot num"
			viewBox={`0 0 ${W} ${H}`}
			role="img"
			aria-label={w.t("trace.label", {
				from: mhz(f0),
				to: mhz(f1),
				worst: decimal(trace.loss[worst]!, 1, w.sep),
				at: mhz(trace.frequency[worst]!),
			})}
		>
			{lower !== undefined && <rect class="bad-side" x={left} y={y(lower)} width={W - left - 12} height={Math.max(0, y(low) - y(lower))} />}
			{marks.map((l) => (
				<g key={l}>
					<line class="grid-line" x1={left} x2={W - 12} y1={y(l)} y2={y(l)} />
					<text x={left - 6} y={y(l) + 5} text-anchor="end">
						{l}
					</text>
				</g>
			))}
			<polyline class="curve" points={points.join(" ")} />
			{lower !== undefined && (
				<>
					<line class="bound" x1={left} x2={W - 12} y1={y(lower)} y2={y(lower)} />
					<text x={W - 14} y={y(lower) - 6} text-anchor="end">
						{w.t("limit", { bound: measure(lower, U.DECIBELS, w.sep) })}
					</text>
				</>
			)}
			<path class="axis" d={`M${left} 12V${H - bottom}H${W - 12}`} />
			<text x={left} y={H - 10}>
				{mhz(f0)}
			</text>
			<text x={(W + left) / 2} y={H - 10} text-anchor="middle">
				MHz
			</text>
			<text x={W - 12} y={H - 10} text-anchor="end">
				{mhz(f1)}
			</text>
			<text x={4} y={24}>
				dB
			</text>
		</svg>
	);
}

/** Everything about one step. */
export function StepDetail({ r, s, mark, children }: { r: Review; s: StepOf; mark?: readonly number[]; children?: ComponentChildren }) {
	const w = useDeskWords();
	const photos = (r.view?.photos ?? []).filter((p) => p.step === s.view.id);
	const about = [placeTitle(s), s.connection?.interface ?? "", sectionTitle(r, s.view.section, w.language)].filter((x) => x);
	const instruction =
		s.def && r.procedure
			? procedureText(r.procedure, w.language, `section/${s.view.section}/step/${s.view.step}/instruction`, s.def.instruction)
			: "";
	return (
		<>
			<div>
				<p class="why num">{about.join(" · ")}</p>
				<h1>{stepTitle(r, s, w.language)}</h1>
			</div>
			{children}
			<StepVerdict s={s} />
			<Traces r={r} s={s} />
			<Photos r={r} photos={photos} />
			<Findings photos={photos} />
			<h2>{w.t("entries.title")}</h2>
			<Entries r={r} s={s} mark={mark ?? []} />
			{instruction && (
				<details>
					<summary>{w.t("step.asked")}</summary>
					<p class="work">{instruction}</p>
				</details>
			)}
		</>
	);
}
