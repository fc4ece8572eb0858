import type { ComponentChildren } from "preact";
import { useState } from "preact/hooks";
import { StepState as S } from "../gen/witnessmark/record/v1/line_pb";
import { Role } from "../gen/witnessmark/v1/access_pb";
import { Primary, Screen, why } from "../parts/basic";
import { ROW, Windowed } from "../parts/windowed";
import { useWords } from "../parts/words";
import { doerOf, type FoldEntry, isDone, type StepStatus } from "../record/fold";
import { measure } from "../record/number";
import { go, jobPath, type Route } from "../route";
import type { Options, Statement } from "../store/outbox";
import { phone, usePhone } from "../store/phone";
import { hour, type Key } from "../text";
import { Holds, JobWhere, type LoadedJob, placeOf, sectionText, stepText, WithJob } from "./frame";
import { nextStep, StepRow, stepPath } from "./job";
import { KitCheck } from "./kit";
import { Measured } from "./measure";
import { Photos } from "./photo";
import { Acknowledge, Choice, ConfirmStep, TextStep, Trace } from "./simple";

export interface StepProps {
	j: LoadedJob;
	s: StepStatus;
	say: Say;
}

/** Makes an entry on the step; true when it is on the disk. */
export type Say = ((
	kind: Statement["kind"],
	more?: { confirmed?: boolean; author?: string; code?: string; options?: Options },
) => Promise<boolean>) & { failed: string };

/** One step: what, why, the limit, one action. */
export function StepScreen({ route }: { route: Route }) {
	const name = route.params.job!;
	const id = route.query.get("step") ?? "";
	return <WithJob name={name}>{(j) => <StepOf key={id} j={j} id={id} />}</WithJob>;
}

function StepOf({ j, id }: { j: LoadedJob; id: string }) {
	const { t } = useWords();
	const say = useSay(j, id);
	const s = j.state.byId.get(id);
	if (!s) {
		return (
			<Screen where={<JobWhere j={j} />} foot={<Primary label={t("back")} act={() => go(jobPath(j.job.name), true)} />}>
				<h1>{t("lost")}</h1>
			</Screen>
		);
	}
	const props = { j, s, say };
	switch (s.step.def.kind.case) {
		case "confirm":
			return <ConfirmStep {...props} />;
		case "acknowledge":
			return <Acknowledge {...props} />;
		case "reading":
		case "torque":
			return <Measured {...props} />;
		case "photo":
			return <Photos {...props} />;
		case "trace":
			return <Trace {...props} />;
		case "kitCheck":
			return <KitCheck {...props} />;
		case "choice":
			return <Choice {...props} />;
		default:
			return <TextStep {...props} />;
	}
}

function useSay(j: LoadedJob, step: string): Say {
	const { t } = useWords();
	const [failed, setFailed] = useState("");
	const s = j.state.byId.get(step);
	const climb = s?.step.section.onStructure ? (j.state.climb?.id ?? "") : step.startsWith("climb:") ? (s?.step.scopeId ?? "") : "";
	const say = async (kind: Statement["kind"], more: { confirmed?: boolean; author?: string; code?: string; options?: Options } = {}) => {
		try {
			await phone.say(
				j.job.name,
				{ step, climb, kind, confirmed: more.confirmed ?? false, ...(more.author ? { author: more.author } : {}) },
				more.options ?? {},
				more.code ?? "",
			);
			setFailed("");
			if ("vibrate" in navigator) navigator.vibrate(40);
			return true;
		} catch (error) {
			setFailed(t("not-saved", { why: why(error, t) }));
			return false;
		}
	};
	return Object.assign(say, { failed });
}

/** The frame of every step's screen: where, hold, title, caution before all else, then the step's own part. */
export function StepFrame({
	j,
	s,
	say,
	children,
	foot,
	bare,
}: StepProps & { children: ComponentChildren; foot: ComponentChildren; bare?: boolean }) {
	const { t, language } = useWords();
	const { person } = usePhone();
	const def = s.step;
	const required = j.state.steps.filter((x) => x.step.required);
	const n = required.indexOf(s) + 1;
	const of = [n > 0 ? t("job.step", { n, all: required.length }) : t("step.optional"), def.connection?.interface ?? ""]
		.filter((x) => x)
		.join(" · ");
	const caution = stepText(j, def, "caution", language);
	const reason = stepText(j, def, "reason", language);
	const isLead = person?.roles.includes(Role.LEAD) ?? false;
	return (
		<Screen
			where={<JobWhere j={j} place={placeOf(def) || sectionText(j, def.section.id, language)} />}
			hold={<Holds j={j} step={def} first />}
			foot={foot}
		>
			<div>
				<p class="why num">{of}</p>
				<h1>{stepText(j, def, "title", language)}</h1>
			</div>
			{say.failed && (
				<p class="message" role="alert">
					{say.failed}
				</p>
			)}
			{caution && <p class="care">{caution}</p>}
			{def.section.onStructure && !j.state.climb && <p class="care">{t("step.climb-needed")}</p>}
			{doerOf(def) === "lead" && !isLead && <p class="care">{t("step.lead-only")}</p>}
			{!bare && <p>{stepText(j, def, "instruction", language)}</p>}
			{children}
			{!bare && reason && (
				<details>
					<summary>{t("step.why")}</summary>
					<p class="work">{reason}</p>
				</details>
			)}
			{!bare && <Earlier j={j} s={s} />}
		</Screen>
	);
}

/** Everything that was entered on the step, the withdrawn too. */
export function Earlier({ j, s }: { j: LoadedJob; s: StepStatus }) {
	const w = useWords();
	const shown = s.entries.filter((e) => e.entry.kind.case !== "withdrawn");
	if (shown.length === 0) return null;
	return (
		<details>
			<summary>
				{w.t("step.earlier")} ({shown.length})
			</summary>
			<ul class="list">
				{[...shown].reverse().map((e) => (
					<li key={e.entry.id} class="row">
						<span>
							{entryWords(e, w)}
							<small class="num">
								{[
									hour(e.time, w.language, j.zone),
									w.person(e.entry.author),
									e.withdrawn ? w.t("step.withdrawn") : "",
									e.onlyHere ? w.t("step.only-here") : "",
								]
									.filter((x) => x)
									.join(" · ")}
							</small>
						</span>
					</li>
				))}
			</ul>
		</details>
	);
}

export function entryWords(e: Pick<FoldEntry, "entry">, w: ReturnType<typeof useWords>): string {
	const k = e.entry.kind;
	switch (k.case) {
		case "readingTaken":
			return k.value.notMeasurable ? w.t("step.no-number") : measure(k.value.value, k.value.unit, w.sep);
		case "torqueApplied":
			return `${measure(k.value.value, k.value.unit, w.sep)}, ${w.instrument(k.value.tool)}`;
		case "confirmed":
			return (
				w.t(k.value.outcome === 1 ? "step.done" : k.value.outcome === 2 ? "step.not-applicable" : "step.not-right") +
				(k.value.reason ? `: ${k.value.reason}` : "")
			);
		case "acknowledged":
			return `${w.person(k.value.person || e.entry.author)}: ${w.t("step.ack.done")}${k.value.fitness === 2 ? ` · ${w.t("step.not-fit")}` : ""}`;
		case "answered":
			return k.value.text || k.value.choice;
		case "deviationAsked":
			return `${w.t("kind.deviationAsked")}: ${k.value.reason}`;
		case "note":
			return k.value.text;
		case "photoAttached":
			return `${w.t("kind.photoAttached")} ${k.value.subject}`;
		default:
			return w.t(kindKey(k.case ?? ""));
	}
}

const kinds = new Set<string>([
	"confirmed",
	"acknowledged",
	"readingTaken",
	"torqueApplied",
	"traceAttached",
	"photoAttached",
	"kitChecked",
	"answered",
	"note",
	"withdrawn",
	"deviationAsked",
	"workStopped",
	"workResumed",
	"climbOpened",
	"climbClosed",
	"crewChanged",
	"finished",
]);

export function kindKey(kind: string): Key {
	return kinds.has(kind) ? (`kind.${kind}` as Key) : "kind.other";
}

/** To the next thing: the same place first. Where it leads is worked out when it is touched, after what was just entered. */
export function useNext(j: LoadedJob, s: StepStatus): { label: string; small: string; act: () => void } {
	const { t, language } = useWords();
	const place = s.step.connection || s.step.line ? s.step.scopeId : undefined;
	const act = () => {
		const now = phone.job(j.job.name) ?? j;
		const next = nextStep(now, place);
		if (!next || next.step.id === s.step.id) go(jobPath(j.job.name, "", { at: place }));
		else go(stepPath(j.job.name, next.step.id));
	};
	const next = nextStep(j, place);
	if (!next || next.step.id === s.step.id) return { label: t("step.next"), small: j.job.title, act };
	const title = stepText(j, next.step, "title", language);
	const moves = s.step.connection && next.step.connection && next.step.scopeId !== s.step.scopeId;
	return { label: t("step.next"), small: moves ? `${placeOf(next.step)}: ${title}` : title, act };
}

/** The last entry that this person made here and that still counts: only it can be 'mistyped'. */
export function lastOwn(s: StepStatus): FoldEntry | undefined {
	const me = phone.state.person?.name;
	const last = s.entries.filter((e) => !e.withdrawn && e.entry.kind.case !== "withdrawn" && e.entry.kind.case !== "note").at(-1);
	return last && last.entry.author === me ? last : undefined;
}

/** A reason in words, with the system's keyboard. */
export function Reason({
	title,
	small,
	least = 1,
	save,
	back,
	label,
}: {
	title: string;
	small?: string;
	least?: number;
	label: string;
	save: (text: string) => Promise<void>;
	back: () => void;
}) {
	const { t } = useWords();
	const [value, setValue] = useState("");
	const ok = [...value.trim()].length >= least;
	return {
		body: (
			<label>
				{title}
				{small && <small>{small}</small>}
				<textarea value={value} maxLength={4000} onInput={(e) => setValue(e.currentTarget.value)} />
			</label>
		),
		foot: (
			<>
				<button type="button" class="second" onClick={back}>
					{t("back")}
				</button>
				<Primary
					label={ok ? label : title}
					small={ok ? undefined : t("step.text.short", { n: least })}
					act={() => (ok ? save(value.trim()) : undefined)}
				/>
			</>
		),
	};
}

/** The steps, in the order of the work: of one section, or all, windowed. */
export function StepList({ route }: { route: Route }) {
	const w = useWords();
	const name = route.params.job!;
	const section = route.query.get("section") ?? "";
	const place = route.query.get("place") ?? "";
	return (
		<WithJob name={name}>
			{(j) => {
				const steps = j.state.steps.filter((s) => (!section || s.step.section.id === section) && (!place || s.step.scopeId === place));
				const next = steps.find((s) => !isDone(s.state) && s.state !== S.WAITING && s.step.required);
				return (
					<Screen
						where={<JobWhere j={j} place={section ? sectionText(j, section, w.language) : undefined} />}
						hold={<Holds j={j} first />}
						foot={
							<>
								<button type="button" class="second" onClick={() => go(jobPath(name), true)}>
									{w.t("back")}
								</button>
								{next && (
									<Primary
										label={w.t("job.next")}
										small={[placeOf(next.step), stepText(j, next.step, "title", w.language)].filter((x) => x).join(": ")}
										act={() => go(stepPath(name, next.step.id))}
									/>
								)}
							</>
						}
					>
						<h1>
							{section ? sectionText(j, section, w.language) : place ? placeOf(steps[0]?.step ?? j.state.steps[0]!.step) : w.t("job.list")}
						</h1>
						<Windowed items={steps} height={ROW} render={(s) => <StepRow key={s.step.id} j={j} s={s} place={!place} />} />
					</Screen>
				);
			}}
		</WithJob>
	);
}
