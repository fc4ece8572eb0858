// A job from a site, a procedure and a plan; then who is on it, and when.

import { useEffect, useState } from "preact/hooks";
import { utf8 } from "../../bytes";
import type { Plan } from "../../gen/witnessmark/record/v1/plan_pb";
import { Role } from "../../gen/witnessmark/v1/access_pb";
import type { Person } from "../../gen/witnessmark/v1/people_pb";
import type { ProcedureRevision, ReadPlanResponse_RowError, Site } from "../../gen/witnessmark/v1/setup_pb";
import { Message, Stripe } from "../../parts/basic";
import { Checks, Field, useAct } from "../../parts/desk";
import { uuidv7 } from "../../record/uuid";
import { go, type Route } from "../../route";
import { civilDay } from "../../text";
import { type DeskKey, useDeskWords } from "../../text/lead";
import { desk } from "../lead/desk";
import { reviewPath } from "../lead/look";
import { OfficeFrame } from "./frame";
import { allPeople } from "./people";
import { allSites } from "./places";
import { allRevisions } from "./procedures";

export function NewJob({ route }: { route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const [sites, setSites] = useState<Site[]>([]);
	const [people, setPeople] = useState<Person[]>([]);
	const [revisions, setRevisions] = useState<ProcedureRevision[]>([]);
	const [title, setTitle] = useState("");
	const [site, setSite] = useState("");
	const [revision, setRevision] = useState("");
	const [crew, setCrew] = useState<string[]>([]);
	const [day, setDay] = useState(civilDay(Date.now()));
	const [follows, setFollows] = useState(route.query.get("follows") ?? "");
	const [csv, setCsv] = useState("");
	const [plan, setPlan] = useState<Plan | undefined>();
	const [errors, setErrors] = useState<ReadPlanResponse_RowError[]>([]);
	const [requestId, setRequestId] = useState(uuidv7);
	const a = useAct();
	useEffect(() => {
		void a.run(async () => {
			const [s, p, r] = await Promise.all([allSites(), allPeople(), allRevisions()]);
			setSites(s);
			setPeople(p.filter((x) => !x.disabled));
			setRevisions(r);
			setSite(s[0]?.name ?? "");
			setRevision(r[0]?.name ?? "");
		});
	}, []);
	const read = (text: string) =>
		a.run(async () => {
			setPlan(undefined);
			setErrors([]);
			if (text.trim() === "") throw new Error(t("plan.empty"));
			const answer = await desk().setup.readPlan({ csv: utf8(text) });
			setErrors(answer.errors);
			setPlan(answer.errors.length === 0 ? answer.plan : undefined);
		});
	const make = () =>
		a.run(async () => {
			if (!title.trim()) throw new Error(t("new-job.no-title"));
			if (!plan) throw new Error(t("new-job.no-plan"));
			const job = await desk().jobs.createJob({
				title: title.trim(),
				site,
				procedureRevision: revision,
				plan,
				people: crew,
				day,
				follows: follows.trim() ? `jobs/${follows.trim().replace(/^jobs\//, "")}` : "",
				requestId,
			});
			setRequestId(uuidv7());
			go(reviewPath(job.name), true);
		});
	return (
		<OfficeFrame at="jobs">
			<form
				class="col body"
				onSubmit={(e) => {
					e.preventDefault();
					void make();
				}}
			>
				<h1>{t("new-job.title")}</h1>
				<div class="fields">
					<Field label={t("new-job.name")} value={title} set={setTitle} />
					<Field label={t("find-jobs.site")} value={site} set={setSite} options={sites.map((s) => ({ id: s.name, title: s.title }))} />
					<Field
						label={t("new-job.procedure")}
						value={revision}
						set={setRevision}
						options={revisions.map((r) => ({ id: r.name, title: `${r.title} · ${r.revision} · ${r.digest.slice(0, 6)}` }))}
					/>
					<Field label={t("find-jobs.day")} type="date" value={day} set={setDay} />
					<Field label={t("new-job.follows")} hint={t("new-job.follows.hint")} value={follows} set={setFollows} />
				</div>
				<Checks
					label={t("new-job.people")}
					value={crew}
					set={setCrew}
					options={people
						.filter((p) => p.roles.includes(Role.CLIMBER) || p.roles.includes(Role.LEAD))
						.map((p) => ({ id: p.name, title: p.title, small: p.roles.map((r) => t(`role.${Role[r]}` as DeskKey)).join(", ") }))}
				/>
				<h2>{t("plan.title")}</h2>
				<p class="why">{t("plan.why")}</p>
				<label>
					{t("plan.file")}
					<input
						type="file"
						accept=".csv,text/csv"
						onChange={(e) => {
							const f = e.currentTarget.files?.[0];
							if (!f) return;
							if (f.size > 1 << 20) {
								void a.run(async () => {
									throw new Error(t("plan.too-big"));
								});
								return;
							}
							void f.text().then((x) => {
								setCsv(x);
								void read(x);
							});
						}}
					/>
				</label>
				<Field
					label={t("plan.text")}
					value={csv}
					set={(v) => {
						setCsv(v);
						setPlan(undefined);
					}}
					rows={8}
					max={1 << 20}
					mono
				/>
				<div class="actions tight">
					<button type="button" aria-disabled={a.busy} onClick={() => void read(csv)}>
						{t("plan.read")}
					</button>
				</div>
				{errors.length > 0 && (
					<>
						<h2>{t("plan.errors", { n: errors.length })}</h2>
						<ul class="list">
							{errors.slice(0, 200).map((e, i) => (
								<li class="row" key={i}>
									<Stripe sign="broken" />
									<span>
										{e.message}
										<small class="num">{t("plan.row", { row: e.row, column: e.column })}</small>
									</span>
								</li>
							))}
						</ul>
					</>
				)}
				{plan && (
					<>
						<div class="find soft-wash">
							<Stripe sign="whole" />
							<span class="num">{t("plan.good", { lines: plan.lines.length, connections: plan.connections.length })}</span>
						</div>
						<div class="table-wrap" role="region" aria-label={t("plan.title")} tabIndex={0}>
							<table class="num">
								<thead>
									<tr>
										<th>{t("plan.line")}</th>
										<th>{t("plan.connection")}</th>
										<th>{t("plan.interface")}</th>
										<th>{t("plan.position")}</th>
									</tr>
								</thead>
								<tbody>
									{plan.connections.slice(0, 500).map((c) => (
										<tr key={c.id}>
											<td>{plan.lines.find((l) => l.id === c.line)?.title || c.line}</td>
											<td>{c.title || c.id}</td>
											<td>{c.interface}</td>
											<td>{c.position}</td>
										</tr>
									))}
								</tbody>
							</table>
						</div>
					</>
				)}
				<Message text={a.failed} />
				<div class="actions tight">
					<button type="submit" class="strong" aria-disabled={a.busy}>
						{t("new-job.make")}
					</button>
				</div>
			</form>
		</OfficeFrame>
	);
}
