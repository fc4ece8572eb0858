import { create } from "@bufbuild/protobuf";
import { useEffect, useState } from "preact/hooks";
import {
	ReadingTaken_Direction as Direction,
	EntrySchema,
	ReadingTakenSchema,
	TorqueAppliedSchema,
} from "../gen/witnessmark/record/v1/entry_pb";
import { StepState as S, Verdict } from "../gen/witnessmark/record/v1/line_pb";
import { type Measure, type Measure_Unit, MeasureSchema, Quantity as Q, Measure_Unit as U } from "../gen/witnessmark/record/v1/measure_pb";
import { Choices, Primary, Row, Screen, Second, Stripe } from "../parts/basic";
import { Gauge } from "../parts/gauge";
import { Display, emptyTyped, Keypad } from "../parts/keypad";
import { VerdictCard } from "../parts/verdict";
import { useWords } from "../parts/words";
import { judgeEntry } from "../record/fold";
import type { Bound, Judgement } from "../record/judge";
import { decimal, measure, numberOf, type Typed, trimmed, typedText } from "../record/number";
import { signOf, unitsFor } from "../record/units";
import { phone, usePhone } from "../store/phone";
import { civilDay, date, type Key } from "../text";
import { limitPhrase, sourceIn } from "../text/say";
import { JobWhere, type LoadedJob, placeOf, stepText } from "./frame";
import { Earlier, lastOwn, Reason, StepFrame, type StepProps, useNext } from "./step";

export function measured(value: number, unit: Measure_Unit, typed: string): Measure {
	return create(MeasureSchema, { value, unit, typed });
}

type Mode = "step" | "pad" | "ask" | "tool" | "no-number" | "deviation" | "lever" | "reach" | "angle" | "height";

interface Pending {
	typed: Typed;
	unit: Measure_Unit;
	judgement: Judgement;
}

interface Extension {
	lever?: Measure;
	reach?: Measure;
	angle?: Measure;
}

/** A reading or a torque: what to reach, the window, the tool, one action. */
export function Measured({ j, s, say }: StepProps) {
	const w = useWords();
	const { t, sep, language } = w;
	const { instruments } = usePhone();
	const def = s.step.def.kind;
	const torque = def.case === "torque";
	const quantity = def.case === "reading" ? def.value.quantity : Q.TORQUE;
	const bound: Bound | undefined = s.step.limit.known ? s.step.limit.bound : undefined;
	const units = unitsFor(quantity);
	const kind = torque ? "torque-wrench" : def.case === "reading" ? def.value.instrumentKind : "";
	const [tool, setTool, same] = useInstrument(kind);
	const instrument = instruments.get(tool);
	const known = [...instruments.values()].some((i) => i.kind === kind && !i.retired);
	const preset = torque ? instrument?.preset : undefined;
	const first =
		preset?.unit ?? (def.case === "reading" && units.includes(def.value.unit) ? def.value.unit : (bound?.unit ?? units[0] ?? U.RATIO));
	const [unit, setUnit] = useState<Measure_Unit>(first);
	const [typed, setTyped] = useState<Typed>(emptyTyped(quantity, first));
	const [mode, setMode] = useState<Mode>("step");
	const [pending, setPending] = useState<Pending | undefined>();
	const [carrier, setCarrier] = useState("20");
	const [gust, setGust] = useState(false);
	const [height, setHeight] = useState<Measure | undefined>();
	const [extension, setExtension] = useState<Extension>({});
	const [again, setAgain] = useState(false);
	const [wavelength, setWavelength] = useState<number>(0);
	const [direction, setDirection] = useState<Direction>(Direction.DIRECTION_UNSPECIFIED);
	const next = useNext(j, s);
	const own = lastOwn(s);

	// The next wavelength and direction that have no reading yet.
	const wavelengths = def.case === "reading" && def.value.eachWavelength ? (s.step.line?.wavelengthsNanometers ?? []) : [];
	const both = def.case === "reading" && def.value.bothDirections;
	const taken = s.entries.filter((e) => !e.withdrawn && (e.entry.kind.case === "readingTaken" || e.entry.kind.case === "torqueApplied"));
	const slots = (wavelengths.length > 0 ? wavelengths : [0]).flatMap((nm) =>
		(both ? [Direction.NEAR_TO_FAR, Direction.FAR_TO_NEAR] : [Direction.DIRECTION_UNSPECIFIED]).map((d) => ({ nm, d })),
	);
	const open = slots.find(
		({ nm, d }) =>
			!taken.some((e) => {
				const r = e.entry.kind.case === "readingTaken" ? e.entry.kind.value : undefined;
				return (
					(nm === 0 || Math.abs((r?.wavelength?.value ?? 0) - nm) < 1e-6) && (d === Direction.DIRECTION_UNSPECIFIED || r?.direction === d)
				);
			}),
	);
	const nm = wavelength || open?.nm || slots[0]!.nm;
	const dir = direction || open?.d || slots[0]!.d;

	useEffect(() => {
		setUnit(first);
		setTyped(emptyTyped(quantity, first));
	}, [first, quantity]);

	const setup = () => ({
		instrument: tool,
		carrierPower: quantity === Q.INTERMODULATION ? measured(Number(carrier), U.WATTS, `${carrier} W`) : undefined,
		wavelength: nm > 0 ? measured(nm, U.NANOMETERS, `${trimmed(nm, sep)} nm`) : undefined,
		direction: dir,
		gust: quantity === Q.WIND_SPEED && gust,
		height: quantity === Q.WIND_SPEED ? height : undefined,
	});
	const kindOf = (x: Typed, u: Measure_Unit) => {
		const value = numberOf(x) ?? 0;
		const text = typedText(x, u, sep);
		return torque
			? {
					case: "torqueApplied" as const,
					value: create(TorqueAppliedSchema, {
						typed: text,
						value,
						unit: u,
						tool,
						toolSetting: preset ? measured(preset.value, preset.unit, typedOf(preset, sep)) : undefined,
						leverLength: extension.reach ? extension.lever : undefined,
						extensionLength: extension.reach,
						extensionAngle: extension.reach ? extension.angle : undefined,
					}),
				}
			: { case: "readingTaken" as const, value: create(ReadingTakenSchema, { typed: text, value, unit: u, ...setup() }) };
	};
	const judge = (x: Typed, u: Measure_Unit) => judgeEntry(s.step, create(EntrySchema, { kind: kindOf(x, u) }), Date.now(), j.input);
	const store = async (x: Typed, u: Measure_Unit, confirmed: boolean) => {
		if (!(await say(kindOf(x, u), { confirmed }))) return;
		if (tool) await phone.remember(kind, tool);
		setTyped(emptyTyped(quantity, u));
		setPending(undefined);
		setWavelength(0);
		setDirection(Direction.DIRECTION_UNSPECIFIED);
		setAgain(false);
		setMode("step");
	};
	const save = async (x: Typed, u: Measure_Unit) => {
		const judgement = judge(x, u);
		if (judgement?.warnings.some((a) => a.code.startsWith("ASK_"))) {
			setPending({ typed: x, unit: u, judgement });
			setMode("ask");
			return;
		}
		await store(x, u, false);
	};
	const mistyped = async () => {
		if (!own) return;
		if (
			await say({
				case: "withdrawn",
				value: { $typeName: "witnessmark.record.v1.Withdrawn", entry: own.entry.id, reason: "mistyped", mistyped: true },
			})
		) {
			setAgain(true);
			if (!preset) setMode("pad");
		}
	};

	// --- sub-screens, one thing at a time

	if (mode === "pad") {
		const value = numberOf(typed);
		const shownValue = value === undefined ? undefined : judge(typed, unit);
		return (
			<Pad
				j={j}
				place={placeOf(s.step)}
				title={stepText(j, s.step, "title", language)}
				quantity={quantity}
				unit={unit}
				typed={typed}
				set={setTyped}
				change={(u) => {
					setUnit(u);
					setTyped(emptyTyped(quantity, u));
				}}
				failed={say.failed}
				bound={bound}
				at={shownValue && !shownValue.why ? shownValue.y : undefined}
				guard={shownValue?.guard ?? 0}
				small={setupWords(quantity, carrier, nm, dir, w)}
				back={() => setMode("step")}
				save={() => save(typed, unit)}
			/>
		);
	}
	if (mode === "ask" && pending) {
		const code = pending.judgement.warnings.find((a) => a.code.startsWith("ASK_"))!;
		const said = measure(numberOf(pending.typed) ?? 0, pending.unit, sep);
		const p = code.proposal;
		return (
			<Screen
				where={<JobWhere j={j} place={placeOf(s.step)} />}
				foot={
					<>
						<Second label={t("back")} act={() => setMode(preset ? "step" : "pad")} />
						{p ? (
							<Primary
								label={t("ask.instead", { value: measure(p.value, p.unit, sep) })}
								act={() => store({ digits: plainDigits(p.value), negative: p.value < 0 }, p.unit, false)}
							/>
						) : (
							<Primary label={t("ask.keep", { value: said })} act={() => store(pending.typed, pending.unit, true)} />
						)}
					</>
				}
			>
				<h1>{t("ask.title")}</h1>
				<div class="big num">{said}</div>
				<p>{t(`ask.${code.code}` as Key)}</p>
				{bound && <p class="why num">{t("allowed", { range: limitPhrase(bound, t, sep) })}</p>}
				{say.failed && (
					<p class="message" role="alert">
						{say.failed}
					</p>
				)}
				{p && (
					<button type="button" class="wide" onClick={() => void store(pending.typed, pending.unit, true)}>
						<span>{t("ask.keep", { value: said })}</span>
					</button>
				)}
			</Screen>
		);
	}
	if (mode === "tool")
		return (
			<ChooseInstrument
				j={j}
				kind={kind}
				torque={torque}
				current={tool}
				pick={(name) => {
					setTool(name);
					setMode("step");
				}}
				back={() => setMode("step")}
			/>
		);
	if (mode === "no-number" || mode === "deviation") {
		return (
			<ReasonScreen
				{...{ j, s, say }}
				title={t(mode === "deviation" ? "step.deviation.why" : "step.no-number.why")}
				label={t(mode === "deviation" ? "step.deviation" : "save")}
				back={() => setMode("step")}
				save={async (text) => {
					const ok =
						mode === "deviation"
							? await say({ case: "deviationAsked", value: { $typeName: "witnessmark.record.v1.DeviationAsked", reason: text } })
							: await say({
									case: "readingTaken",
									value: create(ReadingTakenSchema, { ...setup(), unit, notMeasurable: true, setup: text }),
								});
					if (ok) setMode("step");
				}}
			/>
		);
	}
	if (mode === "lever" || mode === "reach" || mode === "angle" || mode === "height") {
		const keys: Record<string, Key> = {
			lever: "step.extension.lever",
			reach: "step.extension.reach",
			angle: "step.extension.angle",
			height: "step.height",
		};
		const isAngle = mode === "angle";
		return (
			<NumberScreen
				key={mode}
				j={j}
				place={placeOf(s.step)}
				title={t(keys[mode]!)}
				quantity={Q.LENGTH}
				units={isAngle ? [U.DEGREES] : mode === "height" ? [U.METERS, U.FEET] : [U.MILLIMETERS, U.INCHES]}
				back={() => setMode("step")}
				save={(m) => {
					if (mode === "height") {
						setHeight(m);
						setMode("step");
					} else {
						setExtension((e) => ({ ...e, [mode]: m }));
						setMode(mode === "lever" ? "reach" : mode === "reach" ? "angle" : "step");
					}
				}}
			/>
		);
	}

	// --- the step itself

	const counting = s.entries
		.filter((e) => !e.withdrawn && (e.entry.kind.case === "readingTaken" || e.entry.kind.case === "torqueApplied"))
		.at(-1);
	const showVerdict = counting !== undefined && !again && s.state !== S.RETURNED && open === undefined;
	const bad = counting?.verdict === Verdict.FAIL || counting?.verdict === Verdict.NOT_MEASURABLE;
	const clickWords = preset ? measure(preset.value, preset.unit, sep) : "";
	const click = () => {
		const p = preset!;
		return save({ digits: plainDigits(p.value), negative: p.value < 0 }, p.unit);
	};
	const enter = () => (preset ? click() : setMode("pad"));

	const foot = showVerdict ? (
		bad && !s.deviationAsked ? (
			<>
				{own ? (
					<Second label={t("step.mistyped")} act={mistyped} />
				) : (
					<Second label={t("step.deviation")} act={() => setMode("deviation")} />
				)}
				<Primary
					label={t("step.repeat")}
					small={t("step.repeat.small")}
					act={() => {
						setAgain(true);
						if (!preset) setMode("pad");
					}}
				/>
			</>
		) : (
			<>
				{own && <Second label={t("step.mistyped")} act={mistyped} />}
				<Primary label={next.label} small={next.small} act={next.act} />
			</>
		)
	) : (
		<>
			<Second label={t(torque ? "step.not-possible" : "step.no-number")} act={() => setMode(torque ? "deviation" : "no-number")} />
			{kind !== "" && !tool && known ? (
				<Primary label={t(torque ? "step.tool.choose" : "step.instrument.choose")} act={() => setMode("tool")} />
			) : preset ? (
				<Primary
					label={t("step.clicked")}
					small={t("step.clicked.small", { value: clickWords, tool: instrument?.title ?? "" })}
					act={enter}
				/>
			) : (
				<Primary label={t("step.enter")} small={setupWords(quantity, carrier, nm, dir, w) || t("step.enter.small")} act={enter} />
			)}
		</>
	);

	if (showVerdict) {
		return (
			<StepFrame j={j} s={s} say={say} foot={foot} bare>
				<VerdictCard status={s} entry={counting} />
				{s.deviationAsked && <p class="care">{t("state.asked")}</p>}
				{bad && !s.deviationAsked && own && (
					<button type="button" class="wide" onClick={() => setMode("deviation")}>
						<span>
							{t("step.deviation")}
							<small>{t("step.deviation.small")}</small>
						</span>
					</button>
				)}
				{bad && (
					<button type="button" class="wide plain" onClick={next.act}>
						<span>
							{next.label}
							<small>{next.small}</small>
						</span>
					</button>
				)}
				{!bad && (
					<button
						type="button"
						class="wide plain"
						onClick={() => {
							setAgain(true);
							if (!preset) setMode("pad");
						}}
					>
						<span>
							{t("step.repeat")}
							<small>{t("step.repeat.small")}</small>
						</span>
					</button>
				)}
				<Earlier j={j} s={s} />
			</StepFrame>
		);
	}
	const target = preset ? measure(preset.value, preset.unit, sep) : bound ? "" : undefined;
	return (
		<StepFrame j={j} s={s} say={say} foot={foot}>
			{bound ? (
				<>
					<div class="big num">
						{target || limitPhrase(bound, t, sep)} {target && <small>{t("allowed", { range: limitPhrase(bound, t, sep) })}</small>}
					</div>
					<Gauge
						limit={bound}
						value={preset ? presetIn(preset, bound) : undefined}
						label={preset ? t("step.tool.set-to", { value: trimmed(preset.value, sep) }) : ""}
					/>
				</>
			) : (
				<p class="why">{t(s.step.limit.known ? "no-limit" : "limit.later")}</p>
			)}
			{slots.length > 1 && <Slots slots={slots} nm={nm} dir={dir} setNm={setWavelength} setDir={setDirection} />}
			{(torque || kind !== "") && <InstrumentRow name={tool} same={same} zone={j.zone} change={() => setMode("tool")} />}
			{quantity === Q.INTERMODULATION && (
				<Choices
					label={t("step.carrier")}
					value={carrier}
					pick={setCarrier}
					options={["10", "20", "40"].map((v) => ({ id: v, title: `2 × ${v}\u00a0W` }))}
				/>
			)}
			{quantity === Q.WIND_SPEED && (
				<>
					<Choices
						label={t("step.gust")}
						value={gust ? "gust" : ""}
						pick={() => setGust(!gust)}
						options={[{ id: "gust", title: t("step.gust") }]}
					/>
					<button type="button" class="wide plain" onClick={() => setMode("height")}>
						<span>
							{t("step.height")}
							<small class="num">{height ? measure(height.value, height.unit, sep) : "–"}</small>
						</span>
					</button>
				</>
			)}
			{torque && (
				<button type="button" class="wide plain" onClick={() => (extension.reach ? setExtension({}) : setMode("lever"))}>
					<span>
						{t("step.extension")}
						<small class="num">
							{extension.reach && extension.lever
								? `${measure(extension.lever.value, extension.lever.unit, sep)} + ${measure(extension.reach.value, extension.reach.unit, sep)}, ${measure(extension.angle?.value ?? 0, U.DEGREES, sep)} · ${t("step.extension.remove")}`
								: t("step.extension.none")}
						</small>
					</span>
				</button>
			)}
			{torque && preset && (
				<button type="button" class="wide plain" onClick={() => setMode("pad")}>
					<span>
						{t("step.enter")}
						<small>{t("step.enter.small")}</small>
					</span>
				</button>
			)}
			{bound && (
				<details>
					<summary>{t("limit.source")}</summary>
					<p class="work">
						{sourceIn(bound.source, t)}. {t("limit.owner-wins")}
					</p>
				</details>
			)}
		</StepFrame>
	);
}

function presetIn(p: Measure, b: Bound): number | undefined {
	return p.unit === b.unit ? p.value : undefined;
}

function plainDigits(v: number): string {
	return decimal(Math.abs(v), 6);
}

function typedOf(m: Measure, sep: "." | ","): string {
	return m.typed || typedText({ digits: plainDigits(m.value), negative: m.value < 0 }, m.unit, sep);
}

function setupWords(q: Q, carrier: string, nm: number, dir: Direction, w: ReturnType<typeof useWords>): string {
	const parts: string[] = [];
	if (q === Q.INTERMODULATION) parts.push(`2 × ${carrier}\u00a0W`);
	if (nm > 0) parts.push(`${trimmed(nm, w.sep)}\u00a0nm`);
	if (dir === Direction.NEAR_TO_FAR) parts.push(w.t("step.direction.near"));
	if (dir === Direction.FAR_TO_NEAR) parts.push(w.t("step.direction.far"));
	return parts.join(", ");
}

function Slots(p: {
	slots: { nm: number; d: Direction }[];
	nm: number;
	dir: Direction;
	setNm: (nm: number) => void;
	setDir: (d: Direction) => void;
}) {
	const { t, sep } = useWords();
	const nms = [...new Set(p.slots.map((s) => s.nm))].filter((n) => n > 0);
	const dirs = [...new Set(p.slots.map((s) => s.d))].filter((d) => d > 0);
	return (
		<>
			{nms.length > 1 && (
				<Choices
					label={t("step.wavelength")}
					value={String(p.nm)}
					pick={(v) => p.setNm(Number(v))}
					options={nms.map((n) => ({ id: String(n), title: `${trimmed(n, sep)}\u00a0nm` }))}
				/>
			)}
			{dirs.length > 1 && (
				<Choices
					label={t("step.direction")}
					value={String(p.dir)}
					pick={(v) => p.setDir(Number(v) as Direction)}
					options={dirs.map((d) => ({
						id: String(d),
						title: t(d === Direction.NEAR_TO_FAR ? "step.direction.near" : "step.direction.far"),
					}))}
				/>
			)}
		</>
	);
}

/** The keypad on a screen of its own: title, number with unit, the limit beside it, keys, save. */
export function Pad(p: {
	j: LoadedJob;
	place: string;
	title: string;
	quantity: Q;
	unit: Measure_Unit;
	units?: readonly Measure_Unit[];
	typed: Typed;
	set: (t: Typed) => void;
	change: (u: Measure_Unit) => void;
	bound?: Bound | undefined;
	at?: number | undefined;
	guard?: number;
	small?: string;
	failed?: string;
	back: () => void;
	save: () => void | Promise<void>;
}) {
	const { t, sep } = useWords();
	const value = numberOf(p.typed);
	return (
		<Screen
			where={<JobWhere j={p.j} place={p.place} />}
			foot={
				<>
					<Second label={t("back")} act={p.back} />
					{value === undefined ? (
						<Primary label={t("step.save.empty")} small={t("step.save.empty.small")} act={() => undefined} />
					) : (
						<Primary label={t("step.save", { value: measure(value, p.unit, sep) })} small={p.small || undefined} act={p.save} />
					)}
				</>
			}
		>
			<h1>{p.title}</h1>
			{p.failed && (
				<p class="message" role="alert">
					{p.failed}
				</p>
			)}
			<Display typed={p.typed} unit={p.unit} units={p.units ?? unitsFor(p.quantity)} change={p.change} empty={t("step.save.empty")} />
			{p.bound && <Gauge limit={p.bound} value={p.at} guard={p.guard ?? 0} />}
			<Keypad quantity={p.quantity} unit={p.unit} typed={p.typed} set={p.set} />
		</Screen>
	);
}

/** A single number on the keypad, such as the length of a lever. */
export function NumberScreen(p: {
	j: LoadedJob;
	place: string;
	title: string;
	quantity: Q;
	units: readonly Measure_Unit[];
	bound?: Bound | undefined;
	small?: string;
	back: () => void;
	save: (m: Measure) => void;
}) {
	const { sep } = useWords();
	const [unit, setUnit] = useState<Measure_Unit>(p.units[0]!);
	const fresh = (u: Measure_Unit): Typed => ({ digits: "", negative: signOf(p.quantity, u) === "minus" });
	const [typed, setTyped] = useState<Typed>(fresh(unit));
	const value = numberOf(typed);
	return (
		<Pad
			{...p}
			unit={unit}
			typed={typed}
			set={setTyped}
			at={p.bound && p.bound.unit === unit ? value : undefined}
			change={(u) => {
				setUnit(u);
				setTyped(fresh(u));
			}}
			save={() => p.save(measured(value ?? 0, unit, typedText(typed, unit, sep)))}
		/>
	);
}

/** The tool or instrument last used for a kind: chosen again by itself, never a reading. */
export function useInstrument(kind: string): [string, (name: string) => void, boolean] {
	const { instruments } = usePhone();
	const [name, setName] = useState("");
	const [same, setSame] = useState(false);
	useEffect(() => {
		if (!kind) return;
		void phone.last(kind).then((last) => {
			const of = [...instruments.values()].filter((i) => i.kind === kind && !i.retired);
			const known = last !== undefined && of.some((i) => i.name === last);
			setSame(known);
			setName((now) => now || (known ? last : of.length === 1 ? of[0]!.name : ""));
		});
	}, [kind, instruments]);
	return [
		name,
		(n) => {
			setName(n);
			setSame(false);
		},
		same,
	];
}

export function InstrumentRow({ name, same, zone, change }: { name: string; same: boolean; zone: string; change: () => void }) {
	const w = useWords();
	const { instruments } = usePhone();
	const i = instruments.get(name);
	const over = i?.calibratedUntil && civilDay(Date.now(), zone) > i.calibratedUntil;
	const words = !i
		? w.t("step.tool.choose")
		: !i.calibratedUntil
			? w.t("step.tool.unknown")
			: w.t(over ? "step.tool.expired" : "step.tool.until", { date: date(i.calibratedUntil, w.language) });
	return (
		<div class="row">
			<Stripe sign={!i?.calibratedUntil ? "hollow" : over ? "broken" : "whole"} />
			<div>
				{i ? i.title : w.t("step.tool.none")}
				<small>{same ? `${w.t("step.tool.same")} · ${words}` : words}</small>
			</div>
			<button type="button" onClick={change}>
				{w.t("change")}
			</button>
		</div>
	);
}

export function ChooseInstrument({
	j,
	kind,
	torque,
	current,
	pick,
	back,
}: {
	j: LoadedJob;
	kind: string;
	torque?: boolean;
	current: string;
	pick: (name: string) => void;
	back: () => void;
}) {
	const w = useWords();
	const { instruments } = usePhone();
	const all = [...instruments.values()].filter((i) => !i.retired && (kind === "" || i.kind === kind));
	return (
		<Screen where={<JobWhere j={j} />} foot={<Primary label={w.t("back")} act={back} />}>
			<h1>{w.t(torque ? "step.tool.choose" : "step.instrument.choose")}</h1>
			<ul class="list">
				{all.map((i) => {
					const over = i.calibratedUntil !== "" && civilDay(Date.now(), j.zone) > i.calibratedUntil;
					const parts = [
						i.serial,
						i.preset ? w.t("step.tool.set-to", { value: measure(i.preset.value, i.preset.unit, w.sep) }) : "",
						i.calibratedUntil
							? w.t(over ? "step.tool.expired" : "step.tool.until", { date: date(i.calibratedUntil, w.language) })
							: w.t("step.tool.unknown"),
					];
					return (
						<Row
							key={i.name}
							sign={over ? "broken" : i.calibratedUntil ? "whole" : "hollow"}
							title={i.name === current ? `${i.title} ·` : i.title}
							small={parts.filter((x) => x).join(" · ")}
							act={() => pick(i.name)}
						/>
					);
				})}
			</ul>
		</Screen>
	);
}

/** A reason on a screen of its own. */
export function ReasonScreen(
	p: StepProps & { title: string; label: string; least?: number; back: () => void; save: (text: string) => Promise<void> },
) {
	const { language } = useWords();
	const r = Reason({ title: p.title, label: p.label, least: p.least ?? 1, save: p.save, back: p.back });
	return (
		<Screen where={<JobWhere j={p.j} place={placeOf(p.s.step)} />} foot={r.foot}>
			<h1>{stepText(p.j, p.s.step, "title", language)}</h1>
			{p.say.failed && (
				<p class="message" role="alert">
					{p.say.failed}
				</p>
			)}
			{r.body}
		</Screen>
	);
}
