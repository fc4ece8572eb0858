import { StepState as S, Verdict } from "../gen/witnessmark/record/v1/line_pb";
import type { FoldEntry, StepStatus } from "../record/fold";
import type { Judgement } from "../record/judge";
import { apart, measure, withUnit } from "../record/number";
import type { Key } from "../text";
import { limitPhrase, say, sourceIn } from "../text/say";
import { type Sign, Stripe, stateKey } from "./basic";
import { Gauge, JudgementGauge } from "./gauge";
import { useWords } from "./words";

const words: Record<Verdict, Key> = {
	[Verdict.VERDICT_UNSPECIFIED]: "verdict.later",
	[Verdict.PASS]: "verdict.pass",
	[Verdict.PASS_NOT_PROVEN]: "verdict.not-proven",
	[Verdict.FAIL]: "verdict.fail",
	[Verdict.NOT_MEASURABLE]: "verdict.not-measurable",
	[Verdict.RECORDED]: "verdict.recorded",
};

function look(v: Verdict): { sign: Sign | undefined; wash: string } {
	switch (v) {
		case Verdict.PASS:
			return { sign: "whole", wash: "" };
		case Verdict.PASS_NOT_PROVEN:
			return { sign: "dashed", wash: "unsure" };
		case Verdict.FAIL:
			return { sign: "broken", wash: "bad" };
		case Verdict.NOT_MEASURABLE:
			return { sign: "hollow", wash: "plain" };
		case Verdict.RECORDED:
			return { sign: undefined, wash: "plain" };
		default:
			return { sign: "hollow", wash: "plain" };
	}
}

/** A verdict: word, number, one sentence, what to do next; the working is folded below it. */
export function VerdictCard({ status, entry }: { status: StepStatus; entry: FoldEntry }) {
	const { t, sep } = useWords();
	const j = entry.judgement;
	const verdict = j?.later ? Verdict.VERDICT_UNSPECIFIED : entry.verdict;
	const { sign, wash } = look(verdict);
	const k = entry.entry.kind;
	const value = k.case === "readingTaken" || k.case === "torqueApplied" ? k.value : undefined;
	const said = j ? say(j, t, sep, status.step.connection?.interface) : { sentence: entry.sentence, advice: status.advice };
	const bound = status.step.limit.known ? status.step.limit.bound : undefined;
	const number = value && !(k.case === "readingTaken" && k.value.notMeasurable) ? measure(value.value, value.unit, sep) : "";
	return (
		<>
			<div class={`verdict ${wash}`} role="status">
				{sign ? <Stripe sign={sign} /> : <span />}
				<div>
					<strong>{t(words[verdict])}</strong>
					{number && <div class="big num">{number}</div>}
					<p class="num">{said.sentence}</p>
				</div>
				{j ? (
					<JudgementGauge j={j} />
				) : (
					bound &&
					value &&
					number &&
					value.unit === bound.unit && <Gauge limit={bound} value={value.value} guard={status.view?.limit?.guard ?? 0} />
				)}
			</div>
			{(j?.warnings ?? [])
				.filter((x) => !x.code.startsWith("ASK_"))
				.map((x) => (
					<div class="find" key={x.code}>
						<Stripe sign="dashed" />
						<span>{t(`warn.${x.code}` as Key)}</span>
					</div>
				))}
			{said.advice && <h2>{said.advice}</h2>}
			{j && <Working j={j} />}
			<p class="work">{t(j ? "verdict.by-phone" : "verdict.by-server")}</p>
		</>
	);
}

/** How it was judged: every number on one scale with the limit. */
function Working({ j }: { j: Judgement }) {
	const { t, sep } = useWords();
	if (!j.limit || j.why) return null;
	const { limit } = j;
	const about = (v: number) => withUnit(apart(v, [limit.lower, limit.upper], sep), limit.unit);
	return (
		<details>
			<summary>{t("how-judged")}</summary>
			<div class="work num">
				{t("working.reading")} <b>{measure(j.value, j.unit, sep)}</b>
				{j.limit.unit !== j.unit || j.extension ? <b> = {about(j.y)}</b> : null}
				<br />
				{t("working.limit")} <b>{limitPhrase(limit, t, sep)}</b>: {sourceIn(limit.source, t)}. {t("limit.owner-wins")}
				{j.residual !== undefined && (
					<>
						<br />
						{t("working.residual", { value: about(j.residual) })}
						{Number.isFinite(j.low) && <>: {t("working.true", { low: about(j.low), high: about(j.high) })} (IEC 62037-1)</>}
					</>
				)}
				{j.guard > 0 && (
					<>
						<br />
						{t("working.guard", { value: apart(j.guard, [], sep) })}
					</>
				)}
			</div>
		</details>
	);
}

/** How a step without a number stands. */
export function StateCard({ status }: { status: StepStatus }) {
	const { t } = useWords();
	if (status.state === S.OPEN || status.state === S.STEP_STATE_UNSPECIFIED) return null;
	const bad = status.state === S.OUT_OF_LIMITS || status.state === S.RETURNED;
	const waiting = status.state === S.WAITING || status.state === S.DEVIATING;
	return (
		<div class={`verdict ${bad ? "bad" : waiting ? "unsure" : ""}`} role="status">
			<Stripe sign={bad ? "broken" : waiting ? "dashed" : "whole"} />
			<div>
				<strong>{t(stateKey(status)).toUpperCase()}</strong>
				{status.sentence && <p>{status.sentence}</p>}
			</div>
		</div>
	);
}
