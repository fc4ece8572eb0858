import { useState } from "preact/hooks";
import { StepState as S } from "../gen/witnessmark/record/v1/line_pb";
import { Section_Repeat as Repeat } from "../gen/witnessmark/record/v1/procedure_pb";
import { Role } from "../gen/witnessmark/v1/access_pb";
import { Job_State as JobStateName } from "../gen/witnessmark/v1/jobs_pb";
import { HoldButton, Message, Primary, Row, Screen, Second, type Sign, signOf, stateKey, why } from "../parts/basic";
import { useWords } from "../parts/words";
import { isDone, type StepStatus, todo } from "../record/fold";
import { go, jobPath, type Route } from "../route";
import { phone } from "../store/phone";
import { hour } from "../text";
import { Holds, JobWhere, type LoadedJob, placeOf, sectionText, stepText, WithJob } from "./frame";

export const stepPath = (job: string, step: string) => jobPath(job, "step", { step });

/** What comes next for the crew: the gates of the open climb first, then the order of the work, this place first. */
export function nextStep(j: LoadedJob, place?: string): StepStatus | undefined {
	const gateNeeds = j.state.holds
		.flatMap((h) => h.needs)
		.filter((n) => n.why !== "waiting")
		.map((n) => n.status);
	const climbGates = gateNeeds.filter((s) => s.step.id.startsWith("climb:"));
	const all = todo(j.state, place);
	return climbGates.find((s) => all.includes(s)) ?? climbGates.find((s) => s.missing.length > 0 || s.state === S.COMPLETE) ?? all[0];
}

/** The job: the next thing, large; everything else one touch further. */
export function JobHome({ route }: { route: Route }) {
	const w = useWords();
	const { t, language } = w;
	const name = route.params.job!;
	const [failed, setFailed] = useState("");
	const last = route.query.get("at") ?? undefined;
	return (
		<WithJob name={name}>
			{(j) => {
				const s = j.state;
				const next = nextStep(j, last);
				const wantsClimb = s.climb === undefined && j.view.procedure!.sections.some((x) => x.onStructure || x.repeat === Repeat.CLIMB);
				const closed = j.job.state === JobStateName.LOCKED || j.job.state === JobStateName.ENDED;
				const waiting = s.steps.filter((x) => x.state === S.WAITING && x.step.required).length;
				const finish = async () => {
					try {
						await phone.say(name, { kind: { case: "finished", value: { $typeName: "witnessmark.record.v1.Finished" } } });
						setFailed("");
					} catch (error) {
						setFailed(t("not-saved", { why: why(error, t) }));
					}
				};
				const onlyStructure = wantsClimb && next?.step.section.onStructure;
				const foot =
					(wantsClimb && s.climbs.length === 0) || onlyStructure ? (
						<>
							{next && <Second label={t("job.list")} act={() => go(jobPath(name, "list"))} />}
							<Primary label={t("job.open-climb")} small={t("job.open-climb.small")} act={() => go(jobPath(name, "climb"))} />
						</>
					) : next ? (
						<>
							<Second label={t("job.find.short")} act={() => go(jobPath(name, "find"))} />
							<Primary
								label={stepText(j, next.step, "title", language)}
								small={placeOf(next.step) || sectionText(j, next.step.section.id, language)}
								act={() => go(stepPath(name, next.step.id))}
							/>
						</>
					) : s.climb ? (
						<>
							<Second label={t("job.list")} act={() => go(jobPath(name, "list"))} />
							<Primary label={t("job.close-climb")} small={t("job.close-climb.small")} act={() => go(jobPath(name, "down"))} />
						</>
					) : s.finished || closed ? (
						<Primary label={t("job.list")} act={() => go(jobPath(name, "list"))} />
					) : (
						<>
							<Second label={t("job.list")} act={() => go(jobPath(name, "list"))} />
							<HoldButton label={t("job.finish")} small={t("job.finish.small")} act={finish} />
						</>
					);
				return (
					<Screen where={<JobWhere j={j} place={s.climb ? undefined : j.job.title} />} hold={<Holds j={j} first />} foot={foot}>
						<div>
							<p class="why num">
								{t("job.progress", { done: s.done, all: s.required })} · {t("job.as-of", { time: hour(j.asOf, language, j.zone) })}
							</p>
							<h1>{j.job.title}</h1>
						</div>
						<Message text={failed} />
						{closed && <p class="care">{t("job.locked")}</p>}
						{s.holds.length > 0 && (
							<p class="work">
								{t("hold.records")} {t("aid")}
							</p>
						)}
						{!next && (
							<div>
								<h2>{t(s.finished ? "job.finished" : "job.all-done")}</h2>
								{waiting > 0 && <p class="why">{t("job.all-done.why", { waiting })}</p>}
							</div>
						)}
						{wantsClimb && !closed && next && (
							<p class="why">
								{t("job.climb-needed")}. {t("job.climb-needed.why")}
							</p>
						)}
						<Gates j={j} />
						<Sections j={j} />
						<button type="button" class="wide plain" onClick={() => go(jobPath(name, "find"))}>
							<span>{t("job.find")}</span>
						</button>
						<button type="button" class="wide plain" onClick={() => go(jobPath(name, "more"))}>
							<span>{t("job.more")}</span>
						</button>
					</Screen>
				);
			}}
		</WithJob>
	);
}

/** Before the climb: what is open comes first. */
function Gates({ j }: { j: LoadedJob }) {
	const w = useWords();
	const climb = j.state.climb;
	if (!climb) return null;
	const steps = j.state.steps.filter((s) => s.step.id.startsWith(`climb:${climb.id}/`));
	if (steps.length === 0) return null;
	const open = new Set(j.state.holds.flatMap((h) => h.needs.map((n) => n.status.step.id)));
	const rank = (s: StepStatus) => (open.has(s.step.id) ? 0 : isDone(s.state) ? 2 : 1);
	const sorted = [...steps].sort((a, b) => rank(a) - rank(b));
	const todoNow = sorted.filter((s) => rank(s) < 2);
	const done = sorted.filter((s) => rank(s) === 2);
	return (
		<div>
			<h2>{w.t("job.before-climb")}</h2>
			<ul class="list">
				{todoNow.map((s) => (
					<StepRow key={s.step.id} j={j} s={s} over={open.has(s.step.id)} />
				))}
			</ul>
			{done.length > 0 && (
				<details open={todoNow.length === 0 && done.length <= 6}>
					<summary>
						{w.t("state.complete")} ({done.length})
					</summary>
					<ul class="list">
						{done.map((s) => (
							<StepRow key={s.step.id} j={j} s={s} />
						))}
					</ul>
				</details>
			)}
		</div>
	);
}

export function StepRow({ j, s, over, place }: { j: LoadedJob; s: StepStatus; over?: boolean; place?: boolean }) {
	const w = useWords();
	const sign: Sign = over && signOf(s) === "whole" ? "dashed" : signOf(s);
	const parts: string[] = [];
	if (place && placeOf(s.step)) parts.push(placeOf(s.step));
	if (s.missing.length > 0) parts.push(w.t("hold.who.each", { names: s.missing.map(w.person).join(", "), title: w.t("step.ack.missing") }));
	else parts.push(w.t(stateKey(s)));
	if (!s.step.required) parts.push(w.t("step.optional"));
	if (s.entries.some((e) => e.onlyHere)) parts.push(w.t("step.only-here"));
	return (
		<Row
			sign={sign}
			title={stepText(j, s.step, "title", w.language)}
			small={parts.join(" · ")}
			act={() => go(stepPath(j.job.name, s.step.id))}
		/>
	);
}

/** The parts of the work, each with how far it is. */
function Sections({ j }: { j: LoadedJob }) {
	const w = useWords();
	const rows = j.view
		.procedure!.sections.filter((s) => s.repeat !== Repeat.CLIMB)
		.map((section) => {
			const steps = j.state.steps.filter((s) => s.step.section.id === section.id && s.step.required);
			return {
				section,
				all: steps.length,
				done: steps.filter((s) => isDone(s.state)).length,
				bad: steps.some((s) => s.state === S.OUT_OF_LIMITS),
			};
		})
		.filter((r) => r.all > 0);
	return (
		<ul class="list">
			{rows.map((r) => (
				<Row
					key={r.section.id}
					sign={r.bad ? "broken" : r.done === r.all ? "whole" : "hollow"}
					title={sectionText(j, r.section.id, w.language)}
					small={`${w.t("job.section", { done: r.done, all: r.all })} · ${w.t(r.bad ? "state.out" : r.done === r.all ? "state.complete" : "state.open")}`}
					act={() => go(jobPath(j.job.name, "list", { section: r.section.id }))}
				/>
			))}
		</ul>
	);
}

/** What is not needed every minute. */
export function JobMore({ route }: { route: Route }) {
	const { t } = useWords();
	const name = route.params.job!;
	const [failed, setFailed] = useState("");
	const refresh = async () => {
		try {
			await phone.takeJob(name);
			setFailed("");
		} catch (error) {
			setFailed(t("job.not-taken-now", { why: why(error, t) }));
		}
	};
	return (
		<WithJob name={name}>
			{(j) => (
				<Screen where={<JobWhere j={j} />} foot={<Primary label={t("back")} act={() => go(jobPath(name), true)} />}>
					<h1>{t("job.more.title")}</h1>
					<Message text={failed} />
					<ul class="list">
						<Row title={t("job.list")} act={() => go(jobPath(name, "list"))} />
						<Row title={t("job.ready")} act={() => go(jobPath(name, "ready"))} />
						{phone.state.person?.roles.includes(Role.LEAD) && (
							<Row title={t("jobs.desk")} small={t("jobs.desk.small")} act={() => go(jobPath(name, "review"))} />
						)}
						<Row title={t("job.note")} act={() => go(jobPath(name, "note"))} />
						{j.state.climb ? (
							<>
								<Row title={t("job.crew")} small={t("climb.crew.title")} act={() => go(jobPath(name, "crew"))} />
								<Row title={t("job.close-climb")} small={t("job.close-climb.small")} act={() => go(jobPath(name, "down"))} />
							</>
						) : (
							<Row title={t("job.open-climb")} small={t("job.open-climb.small")} act={() => go(jobPath(name, "climb"))} />
						)}
						<Row title={t("job.handover")} act={() => go(jobPath(name, "handover"))} />
						<Row title={t("job.refresh")} act={() => void refresh()} />
						<Row title={t("jobs.title")} act={() => go("/")} />
					</ul>
				</Screen>
			)}
		</WithJob>
	);
}
