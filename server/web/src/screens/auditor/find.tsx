// Finding a job: by site, day and state.

import { useEffect, useState } from "preact/hooks";
import { Role } from "../../gen/witnessmark/v1/access_pb";
import { type Job, Job_State as JobStateName } from "../../gen/witnessmark/v1/jobs_pb";
import type { Site } from "../../gen/witnessmark/v1/setup_pb";
import { Message, type Sign, Stripe } from "../../parts/basic";
import { Field, useAct } from "../../parts/desk";
import { go, type Route } from "../../route";
import { phone } from "../../store/phone";
import { date, moment } from "../../text";
import { useDeskWords } from "../../text/lead";
import { desk, pages } from "../lead/desk";
import { reviewPath } from "../lead/look";
import { timeOf } from "../lead/review";
import { stateWords } from "../lead/screen";
import { OfficeFrame } from "../office/frame";

export function signOfJob(state: JobStateName): Sign {
	return state === JobStateName.LOCKED
		? "whole"
		: state === JobStateName.ENDED
			? "broken"
			: state === JobStateName.FINISHED
				? "dashed"
				: "hollow";
}

export function FindJobs({ route }: { route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const [sites, setSites] = useState<Site[]>([]);
	const [jobs, setJobs] = useState<Job[] | undefined>();
	const [more, setMore] = useState("");
	const a = useAct();
	const site = route.query.get("site") ?? "";
	const day = route.query.get("day") ?? "";
	const state = Number(route.query.get("state") ?? "0");
	const roles = phone.state.person?.roles ?? [];
	const filter = (change: Record<string, string>) => {
		const q = new URLSearchParams(route.query);
		for (const [k, v] of Object.entries(change)) {
			if (v && v !== "0") q.set(k, v);
			else q.delete(k);
		}
		go(`/desk${q.size > 0 ? `?${q}` : ""}`, true);
	};
	const ask = (pageToken: string) =>
		desk().jobs.listJobs({ site, day: /^\d{4}-\d{2}-\d{2}$/.test(day) ? day : "", state, pageSize: 100, pageToken });
	useEffect(() => {
		void a.run(async () => {
			const page = await ask("");
			setJobs(page.jobs);
			setMore(page.nextPageToken);
		});
	}, [site, day, state]);
	useEffect(() => {
		pages((pageToken) =>
			desk()
				.setup.listSites({ pageSize: 1000, pageToken })
				.then((p) => ({ items: p.sites, nextPageToken: p.nextPageToken })),
		).then(setSites, () => undefined); // the filter stays without titles; the list of jobs says what is wrong
	}, []);
	return (
		<OfficeFrame at="jobs">
			<div class="col body">
				<h1>{t("find-jobs.title")}</h1>
				<div class="fields">
					<Field
						label={t("find-jobs.site")}
						value={site}
						set={(v) => filter({ site: v })}
						options={[{ id: "", title: t("find-jobs.all-sites") }, ...sites.map((s) => ({ id: s.name, title: s.title }))]}
					/>
					<Field label={t("find-jobs.day")} type="date" value={day} set={(v) => filter({ day: v })} />
					<Field
						label={t("find-jobs.state")}
						value={String(state)}
						set={(v) => filter({ state: v })}
						options={[
							{ id: "0", title: t("find-jobs.all-states") },
							...[1, 2, 3, 4].map((s) => ({ id: String(s), title: t(stateWords[s]!) })),
						]}
					/>
				</div>
				<Message text={a.failed} />
				{(roles.includes(Role.OFFICE) || roles.includes(Role.LEAD)) && (
					<div class="actions tight">
						<button type="button" onClick={() => go("/office/new-job")}>
							{t("new-job.title")}
						</button>
					</div>
				)}
				{jobs === undefined && !a.failed && <p class="why">{t("loading")}</p>}
				{jobs?.length === 0 && <p class="why">{t("find-jobs.none")}</p>}
				<ul class="list">
					{(jobs ?? []).map((j) => (
						<li key={j.name}>
							<button type="button" class="row" onClick={() => go(reviewPath(j.name))}>
								<Stripe sign={signOfJob(j.state)} />
								<span>
									{j.title}
									<small class="num">
										{[
											j.siteTitle,
											j.day ? date(j.day, w.language) : "",
											t(stateWords[j.state] ?? "unknown"),
											j.lockTime ? moment(timeOf(j.lockTime), w.language, j.zone) : "",
											t("find-jobs.lines", { n: Number(j.lineCount) }),
											Number(j.addendumCount) > 0 ? t("find-jobs.addenda", { n: Number(j.addendumCount) }) : "",
										]
											.filter((x) => x)
											.join(" · ")}
									</small>
									{j.contradicted && <small>{t("evidence.contradicted")}</small>}
								</span>
								<span class="go" aria-hidden="true">
									›
								</span>
							</button>
						</li>
					))}
				</ul>
				{more && (
					<div class="actions tight">
						<button
							type="button"
							onClick={() =>
								void a.run(async () => {
									const page = await ask(more);
									setJobs([...(jobs ?? []), ...page.jobs]);
									setMore(page.nextPageToken);
								})
							}
						>
							{t("more")}
						</button>
					</div>
				)}
			</div>
		</OfficeFrame>
	);
}

/** Who read what: an auditor sees his own, the office all. */
export function Custody({ route }: { route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const job = route.query.get("job") ?? "";
	const [lines, setLines] = useState<{ time: number; who: string; action: string; job: string; subject: string }[]>([]);
	const [more, setMore] = useState("");
	const a = useAct();
	const get = (pageToken: string) =>
		a.run(async () => {
			const page = await desk().grants.listCustody({ job, pageSize: 200, pageToken });
			const got = page.lines.map((l) => ({ time: timeOf(l.time), who: l.who, action: l.action, job: l.job, subject: l.subject }));
			setLines((before) => (pageToken ? [...before, ...got] : got));
			setMore(page.nextPageToken);
		});
	useEffect(() => void get(""), [job]);
	return (
		<OfficeFrame at="custody">
			<div class="col body">
				<h1>{t("custody.title")}</h1>
				<p class="why">{t("custody.why")}</p>
				<Message text={a.failed} />
				<div class="table-wrap" role="region" aria-label={t("custody.title")} tabIndex={0}>
					<table class="num">
						<thead>
							<tr>
								<th>{t("custody.time")}</th>
								<th>{t("custody.who")}</th>
								<th>{t("custody.what")}</th>
								<th>{t("custody.job")}</th>
								<th>{t("custody.subject")}</th>
							</tr>
						</thead>
						<tbody>
							{lines.map((l, i) => (
								<tr key={i}>
									<td>{moment(l.time, w.language)}</td>
									<td>{l.who.startsWith("people/") ? w.person(l.who) : l.who}</td>
									<td>{l.action}</td>
									<td>{l.job.replace(/^jobs\//, "")}</td>
									<td>
										<code>{l.subject.length > 24 ? `${l.subject.slice(0, 24)}…` : l.subject}</code>
									</td>
								</tr>
							))}
						</tbody>
					</table>
				</div>
				{more && (
					<div class="actions tight">
						<button type="button" onClick={() => void get(more)}>
							{t("more")}
						</button>
					</div>
				)}
			</div>
		</OfficeFrame>
	);
}
