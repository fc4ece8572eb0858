import { create } from "@bufbuild/protobuf";
import { useRef, useState } from "preact/hooks";
import { bytes, unhex } from "../bytes";
import {
	AcknowledgedSchema,
	AnsweredSchema,
	ConfirmedSchema,
	Acknowledged_Fitness as Fitness,
	Confirmed_Outcome as Outcome,
	TraceAttachedSchema,
} from "../gen/witnessmark/record/v1/entry_pb";
import { StepState as S } from "../gen/witnessmark/record/v1/line_pb";
import { Message, Primary, Row, Screen, Second, Stripe, why } from "../parts/basic";
import { StateCard } from "../parts/verdict";
import { useWords } from "../parts/words";
import { type Key as PadKey, press } from "../record/number";
import { MOST_TRACE, storeFile } from "../store/files";
import { phone } from "../store/phone";
import { size } from "../text";
import { JobWhere, optionText, placeOf, stepText } from "./frame";
import { ChooseInstrument, InstrumentRow, ReasonScreen, useInstrument } from "./measure";
import { lastOwn, StepFrame, type StepProps, useNext } from "./step";

/** Withdraws the person's own last entry as a slip of the finger. */
function useMistyped({ s, say }: StepProps): (() => Promise<void>) | undefined {
	const own = lastOwn(s);
	if (!own) return undefined;
	return async () => {
		await say({
			case: "withdrawn",
			value: { $typeName: "witnessmark.record.v1.Withdrawn", entry: own.entry.id, reason: "mistyped", mistyped: true },
		});
	};
}

/** Done, not right, or does not apply. */
export function ConfirmStep(p: StepProps) {
	const { j, s, say } = p;
	const { t } = useWords();
	const [mode, setMode] = useState<"step" | "not-right" | "not-applicable" | "deviation">("step");
	const next = useNext(j, s);
	const mistyped = useMistyped(p);
	const allow = s.step.def.kind.case === "confirm" && s.step.def.kind.value.allowNotApplicable;
	const confirm = (outcome: Outcome, reason = "") => say({ case: "confirmed", value: create(ConfirmedSchema, { outcome, reason }) });
	if (mode !== "step") {
		return (
			<ReasonScreen
				{...p}
				title={t(mode === "not-right" ? "step.reason.not-right" : mode === "deviation" ? "step.deviation.why" : "step.reason")}
				label={t("save")}
				back={() => setMode("step")}
				save={async (reason) => {
					const ok =
						mode === "deviation"
							? await say({ case: "deviationAsked", value: { $typeName: "witnessmark.record.v1.DeviationAsked", reason } })
							: await confirm(mode === "not-right" ? Outcome.NOT_RIGHT : Outcome.NOT_APPLICABLE, reason);
					if (ok) setMode("step");
				}}
			/>
		);
	}
	const done = async () => {
		if (await confirm(Outcome.DONE)) next.act();
	};
	const good = s.state === S.COMPLETE || s.state === S.NOT_NEEDED || s.state === S.DEVIATING;
	const bad = s.state === S.OUT_OF_LIMITS;
	return (
		<StepFrame
			{...p}
			foot={
				good || (bad && s.deviationAsked) ? (
					<>
						{mistyped && <Second label={t("step.mistyped")} act={mistyped} />}
						<Primary label={next.label} small={next.small} act={next.act} />
					</>
				) : (
					<>
						{bad && mistyped ? (
							<Second label={t("step.mistyped")} act={mistyped} />
						) : (
							<Second label={t("step.not-right")} act={() => setMode("not-right")} />
						)}
						<Primary label={t("step.done")} small={t("step.done.small")} act={done} />
					</>
				)
			}
		>
			<StateCard status={s} />
			{!good && (
				<button type="button" class="wide plain" onClick={() => setMode(allow ? "not-applicable" : "deviation")}>
					<span>
						{t(allow ? "step.not-applicable" : "step.not-possible")}
						<small>{allow ? "" : t("step.deviation")}</small>
					</span>
				</button>
			)}
		</StepFrame>
	);
}

/** Each person says for himself that he knows; on this phone others with their own codes. */
export function Acknowledge(p: StepProps) {
	const { j, s, say } = p;
	const w = useWords();
	const { t } = w;
	const me = phone.state.person?.name ?? "";
	const [other, setOther] = useState("");
	const next = useNext(j, s);
	const ask = s.step.def.kind.case === "acknowledge" && s.step.def.kind.value.askFitness;
	const crew = j.state.climbs.find((c) => c.id === s.step.scopeId)?.crew ?? [...new Set(j.state.climbs.flatMap((c) => c.crew))];
	const saidBy = (person: string) =>
		s.entries
			.filter((e) => !e.withdrawn && e.entry.kind.case === "acknowledged" && (e.entry.kind.value.person || e.entry.author) === person)
			.at(-1);
	const mine = saidBy(me);
	const acknowledge = (person: string, fitness: Fitness, code = "") =>
		say({ case: "acknowledged", value: create(AcknowledgedSchema, { person, fitness }) }, { author: person, code });
	if (other) {
		return (
			<OwnCode
				{...p}
				person={other}
				ask={ask}
				back={() => setOther("")}
				done={() => setOther("")}
				acknowledge={acknowledge}
				pending={saidBy(other)?.entry.id}
			/>
		);
	}
	const onCrew = crew.length === 0 || crew.includes(me);
	const others = crew.filter((c) => c !== me);
	const firstMissing = others.find((o) => !saidBy(o));
	return (
		<StepFrame
			{...p}
			foot={
				onCrew && !mine ? (
					<>
						{ask && <Second label={t("step.not-fit")} act={async () => void (await acknowledge(me, Fitness.NOT_FIT))} />}
						<Primary
							label={t(ask ? "step.acknowledge.fit" : "step.acknowledge")}
							small={w.person(me)}
							act={async () => void (await acknowledge(me, ask ? Fitness.FIT : Fitness.FITNESS_UNSPECIFIED))}
						/>
					</>
				) : firstMissing ? (
					<>
						<Second label={next.label} act={next.act} />
						<Primary label={w.person(firstMissing)} small={t("step.ack.own-code")} act={() => setOther(firstMissing)} />
					</>
				) : (
					<Primary label={next.label} small={next.small} act={next.act} />
				)
			}
		>
			{ask && <p class="work">{t("step.not-fit.why")}</p>}
			<ul class="list">
				{crew.map((c) => {
					const e = saidBy(c);
					const unsure = e?.local && c !== me;
					return (
						<Row
							key={c}
							sign={!e ? "hollow" : unsure ? "dashed" : "whole"}
							title={w.person(c)}
							small={!e ? t("step.ack.missing") : unsure ? t("step.ack.said") : t("step.ack.done")}
							{...((!e || unsure) && c !== me ? { act: () => setOther(c) } : {})}
						/>
					);
				})}
			</ul>
			<StateCard status={s} />
		</StepFrame>
	);
}

/** Another's own code on this phone. It is never stored: it goes with the entry if the server answers now, else the word stands as said here. */
function OwnCode(
	p: StepProps & {
		person: string;
		ask: boolean;
		pending: string | undefined;
		back: () => void;
		done: () => void;
		acknowledge: (person: string, f: Fitness, code: string) => Promise<boolean>;
	},
) {
	const w = useWords();
	const { t } = w;
	const [code, setCode] = useState("");
	const [failed, setFailed] = useState("");
	const fitness = p.ask ? Fitness.FIT : Fitness.FITNESS_UNSPECIFIED;
	const sent = p.pending !== undefined && p.j.entries.find((e) => e.id === p.pending)?.state === "sent";
	const confirm = async () => {
		if (p.pending && sent) {
			try {
				await phone.server.jobs.confirmAcknowledgement({ job: p.j.job.name, entry: p.pending, person: p.person, code });
				await phone.takeJob(p.j.job.name);
				p.done();
			} catch (error) {
				setFailed(t("error", { why: why(error, t) }));
			}
			return;
		}
		if (await p.acknowledge(p.person, fitness, code)) p.done();
	};
	const key = (k: PadKey) => (
		<button
			type="button"
			key={k}
			class={k === "delete" ? "word" : ""}
			onClick={() =>
				setCode((c) => (k === "delete" ? c.slice(0, -1) : press({ digits: "", negative: false }, k).digits && c.length < 12 ? c + k : c))
			}
		>
			{k === "delete" ? t("delete") : k}
		</button>
	);
	return (
		<Screen
			where={<JobWhere j={p.j} />}
			foot={
				<>
					<Second label={t("back")} act={p.back} />
					{code.length >= 4 ? (
						<Primary label={t(p.ask ? "step.acknowledge.fit" : "step.acknowledge")} small={w.person(p.person)} act={confirm} />
					) : (
						<Primary
							label={t("step.ack.no-code")}
							small={t("step.ack.no-code.small")}
							act={async () => void ((await p.acknowledge(p.person, fitness, "")) && p.done())}
						/>
					)}
				</>
			}
		>
			<h1>{t("step.ack.code", { name: w.person(p.person) })}</h1>
			<Message text={failed || p.say.failed} />
			<p class="why">
				{stepText(p.j, p.s.step, "title", w.language)} · {t("step.ack.own-code")}
			</p>
			<div class="display num">{code ? <b>{"•".repeat(code.length)}</b> : <b class="empty">{t("enrol.code")}</b>}</div>
			<div class="keys num">
				{(["1", "2", "3", "4", "5", "6", "7", "8", "9"] as const).map(key)}
				<span />
				{key("0")}
				{key("delete")}
			</div>
		</Screen>
	);
}

/** One of several answers. */
export function Choice(p: StepProps) {
	const { j, s, say } = p;
	const { t, language } = useWords();
	const [mode, setMode] = useState<"step" | "deviation">("step");
	const next = useNext(j, s);
	const mistyped = useMistyped(p);
	const options = s.step.def.kind.case === "choice" ? s.step.def.kind.value.options : [];
	const last = s.entries.filter((e) => !e.withdrawn && e.entry.kind.case === "answered").at(-1)?.entry.kind;
	const value = last?.case === "answered" ? last.value.choice : undefined;
	if (mode === "deviation") {
		return (
			<ReasonScreen
				{...p}
				title={t("step.deviation.why")}
				label={t("step.deviation")}
				back={() => setMode("step")}
				save={async (reason) =>
					void (
						(await say({ case: "deviationAsked", value: { $typeName: "witnessmark.record.v1.DeviationAsked", reason } })) && setMode("step")
					)
				}
			/>
		);
	}
	const pick = (id: string) => void say({ case: "answered", value: create(AnsweredSchema, { choice: id }) });
	const answered = value !== undefined && s.state !== S.RETURNED;
	return (
		<StepFrame
			{...p}
			foot={
				answered ? (
					<>
						{mistyped && <Second label={t("step.mistyped")} act={mistyped} />}
						<Primary label={next.label} small={next.small} act={next.act} />
					</>
				) : undefined
			}
		>
			<StateCard status={s} />
			{answered ? (
				<p class="big">{optionText(j, s.step, "option", value, options.find((o) => o.id === value)?.title ?? value, language)}</p>
			) : (
				<div class="choices tall" role="group" aria-label={t("step.choose")}>
					{options.map((o) => (
						<button type="button" key={o.id} onClick={() => pick(o.id)}>
							{optionText(j, s.step, "option", o.id, o.title, language)}
						</button>
					))}
				</div>
			)}
			{s.state === S.OUT_OF_LIMITS && !s.deviationAsked && (
				<button type="button" class="wide" onClick={() => setMode("deviation")}>
					<span>
						{t("step.deviation")}
						<small>{t("step.deviation.small")}</small>
					</span>
				</button>
			)}
		</StepFrame>
	);
}

/** A text, with the system's keyboard. */
export function TextStep(p: StepProps) {
	const { j, s, say } = p;
	const { t } = useWords();
	const [value, setValue] = useState("");
	const next = useNext(j, s);
	const mistyped = useMistyped(p);
	const least = s.step.def.kind.case === "text" ? Math.max(1, s.step.def.kind.value.minLength) : 1;
	const enough = [...value.trim()].length >= least;
	const save = async () => {
		if (!enough) return;
		if (await say({ case: "answered", value: create(AnsweredSchema, { text: value.trim() }) })) setValue("");
	};
	const done = s.state === S.COMPLETE;
	return (
		<StepFrame
			{...p}
			foot={
				<>
					{done && mistyped && !enough ? <Second label={t("step.mistyped")} act={mistyped} /> : null}
					{done && !enough ? (
						<Primary label={next.label} small={next.small} act={next.act} />
					) : (
						<Primary
							label={enough ? t("save") : t("step.text")}
							small={enough ? undefined : t("step.text.short", { n: least })}
							act={save}
						/>
					)}
				</>
			}
		>
			<StateCard status={s} />
			<label>
				{t("step.text")}
				<textarea value={value} maxLength={4000} onInput={(e) => setValue(e.currentTarget.value)} />
			</label>
		</StepFrame>
	);
}

/** A trace file from the instrument: kept as it is, computed by the server. */
export function Trace(p: StepProps) {
	const { j, s, say } = p;
	const w = useWords();
	const { t, language } = w;
	const input = useRef<HTMLInputElement>(null);
	const [failed, setFailed] = useState("");
	const [choose, setChoose] = useState(false);
	const [instrument, setInstrument, same] = useInstrument("sweep-analyser");
	const next = useNext(j, s);
	const attached = s.entries.filter((e) => !e.withdrawn && e.entry.kind.case === "traceAttached").at(-1);
	const name = attached?.entry.kind.case === "traceAttached" ? attached.entry.kind.value.fileName : "";
	if (choose)
		return (
			<ChooseInstrument
				j={j}
				kind="sweep-analyser"
				current={instrument}
				pick={(n) => {
					setInstrument(n);
					setChoose(false);
				}}
				back={() => setChoose(false)}
			/>
		);
	const take = async (file: File) => {
		setFailed("");
		if (file.size > MOST_TRACE) return setFailed(`${size(file.size, language)} > 8 MiB`);
		try {
			const content = bytes(await file.arrayBuffer());
			const stored = await storeFile(content, {
				job: j.job.name,
				step: s.step.id,
				subject: "",
				purpose: "trace",
				mediaType: "application/octet-stream",
			});
			if (
				await say(
					{
						case: "traceAttached",
						value: create(TraceAttachedSchema, {
							digest: unhex(stored.digest),
							size: BigInt(stored.size),
							fileName: file.name.slice(0, 200),
							instrument,
						}),
					},
					{ options: { file: stored.digest } },
				)
			) {
				if (instrument) await phone.remember("sweep-analyser", instrument);
			}
			await phone.filesChanged(j.job.name);
		} catch (error) {
			setFailed(t("not-saved", { why: why(error, t) }));
		}
	};
	return (
		<StepFrame
			{...p}
			foot={
				attached ? (
					<>
						<Second label={t("step.trace")} act={() => input.current?.click()} />
						<Primary label={next.label} small={next.small} act={next.act} />
					</>
				) : (
					<Primary label={t("step.trace")} small={t("step.trace.small")} act={() => input.current?.click()} />
				)
			}
		>
			<Message text={failed} />
			<StateCard status={s} />
			{name && (
				<div class="find soft-wash">
					<Stripe sign="dashed" />
					<span>{t("step.trace.read", { name })}</span>
				</div>
			)}
			<InstrumentRow name={instrument} same={same} zone={j.zone} change={() => setChoose(true)} />
			<input
				ref={input}
				class="hidden-input"
				type="file"
				tabIndex={-1}
				aria-hidden="true"
				onChange={(e) => {
					const file = e.currentTarget.files?.[0];
					e.currentTarget.value = "";
					if (file) void take(file);
				}}
			/>
			<p class="work">{placeOf(s.step)}</p>
		</StepFrame>
	);
}
