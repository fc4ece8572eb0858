import type { ComponentChildren } from "preact";
import { Primary, Screen, Where } from "../parts/basic";
import { useWords } from "../parts/words";
import { procedureText, type Step } from "../record/expand";
import type { Hold } from "../record/fold";
import { doerOf } from "../record/fold";
import { go, jobPath } from "../route";
import { type Phone, useJob } from "../store/phone";
import { hour } from "../text";

export type LoadedJob = NonNullable<ReturnType<Phone["job"]>>;

/** Draws with a job that is on the phone; says so where it is not. */
export function WithJob({ name, children }: { name: string; children: (j: LoadedJob) => ComponentChildren }) {
	const { t } = useWords();
	const j = useJob(name);
	if (j === undefined) return <p class="boot">{t("loading")}</p>;
	if (j === null) {
		return (
			<Screen where={<Where title={t("app")} />} foot={<Primary label={t("home")} act={() => go("/", true)} />}>
				<h1>{t("job.gone")}</h1>
			</Screen>
		);
	}
	return <>{children(j)}</>;
}

/** Title of a step in the person's language. */
export function stepText(j: LoadedJob, s: Step, part: "title" | "instruction" | "caution" | "reason", language: string): string {
	return procedureText(j.view.procedure!, language, `section/${s.section.id}/step/${s.def.id}/${part}`, s.def[part]);
}

export function optionText(j: LoadedJob, s: Step, kind: "option" | "subject", id: string, english: string, language: string): string {
	return procedureText(j.view.procedure!, language, `section/${s.section.id}/step/${s.def.id}/${kind}/${id}`, english);
}

export function sectionText(j: LoadedJob, id: string, language: string): string {
	const s = j.view.procedure!.sections.find((x) => x.id === id);
	return procedureText(j.view.procedure!, language, `section/${id}/title`, s?.title ?? id);
}

/** Where a step is, in one name: the connection, the line, or nothing. */
export function placeOf(s: Step): string {
	return s.connection?.title || s.connection?.id || s.line?.title || s.line?.id || "";
}

/** A line of a hold: who must do what. */
export function holdLines(j: LoadedJob, h: Hold, w: ReturnType<typeof useWords>): string[] {
	if (h.kind !== "gate") return h.sentence ? [h.sentence] : [];
	if (h.needs.length === 0) return [`${sectionText(j, h.gate.slice(h.gate.indexOf("/") + 1), w.language)}: ${w.t("hold.not-begun")}`];
	return h.needs.map((n) => {
		const step = n.status.step;
		let title = stepText(j, step, "title", w.language);
		if (n.why === "over") title = w.t("hold.over", { title, time: hour(n.since ?? 0, w.language, j.zone) });
		if (n.why === "not-proven") title = w.t("hold.not-proven", { title });
		if (n.why === "bad") title = w.t("hold.bad", { title });
		if (n.why === "waiting") title = w.t("hold.waiting", { title });
		if (n.status.missing.length > 0) return w.t("hold.who.each", { names: n.status.missing.map(w.person).join(", "), title });
		return w.t(doerOf(step) === "lead" ? "hold.who.lead" : "hold.who.crew", { title });
	});
}

/** Is the picture older than a quarter of an hour? Then a hold is only 'as of'. */
const STALE = 15 * 60_000;

/** Does the climb itself wait? Then its hold comes first, and those of later parts wait with it. */
const hasClimbHold = (j: LoadedJob) => j.state.holds.some((h) => h.climb !== "" || h.kind === "stopped");

/** The holds that bear on a step, or all of the job: ink on the whole width, in words that say who must do what. */
export function Holds({ j, step, first }: { j: LoadedJob; step?: Step; first?: boolean }) {
	const w = useWords();
	const gates = step ? new Set(j.state.expansion.requires(step.instance, j.state.climb?.id ?? "")) : undefined;
	// On the job's own screens the gates of single lines and connections would fill the page: they stand on the steps that they hold.
	const general = (h: Hold) => h.kind !== "gate" || h.gate.startsWith("climb:") || h.gate.startsWith("job/");
	const relevant = j.state.holds.filter((h) =>
		gates
			? gates.has(h.gate) || (step!.section.onStructure && h.kind !== "gate")
			: general(h) && !(h.kind === "gate" && h.climb === "" && j.state.climb && hasClimbHold(j)),
	);
	if (relevant.length === 0) return null;
	const stopped = relevant.some((h) => h.kind === "stopped");
	const onStructure = relevant.some((h) => h.climb !== "");
	const title = stopped ? w.t("hold.stopped") : onStructure ? w.t("hold.climb") : w.t("hold.other");
	const lines = relevant.flatMap((h) => (h.kind === "stopped" ? [h.sentence, w.t("hold.resume")] : holdLines(j, h, w))).filter((l) => l);
	const stale = Date.now() - j.asOf > STALE ? ` · ${w.t("hold.as-of", { time: hour(j.asOf, w.language, j.zone) })}` : "";
	return (
		<div class="hold" role="status">
			{title}
			<small>
				{(first ? lines.slice(0, 3) : lines).map((l) => (/[.!?]$/.test(l) ? l : `${l}.`)).join(" ")}
				{first && lines.length > 3 ? " …" : ""}
				{stale}
			</small>
		</div>
	);
}

/** The where line of a job's screens. */
export function JobWhere({ j, place }: { j: LoadedJob; place?: string }) {
	return <Where title={j.job.siteTitle || j.job.title} place={place} job={j.job.name} home={jobPath(j.job.name)} />;
}
