// Auditors' grants, share links, and the organisation's settings.

import { timestampFromMs } from "@bufbuild/protobuf/wkt";
import { useEffect, useState } from "preact/hooks";
import { Role } from "../../gen/witnessmark/v1/access_pb";
import type { Grant, ShareLink } from "../../gen/witnessmark/v1/audit_pb";
import type { Person } from "../../gen/witnessmark/v1/people_pb";
import type { Site } from "../../gen/witnessmark/v1/setup_pb";
import { Message, Stripe } from "../../parts/basic";
import { Checks, Field, useAct } from "../../parts/desk";
import type { Route } from "../../route";
import { phone, usePhone } from "../../store/phone";
import { date, moment } from "../../text";
import { useDeskWords } from "../../text/lead";
import { desk, pages } from "../lead/desk";
import { timeOf } from "../lead/review";
import { hasRole, OfficeFrame } from "./frame";
import { allPeople, EnrolCode } from "./people";
import { allSites } from "./places";

export function Access({ route: _ }: { route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const office = hasRole(Role.OFFICE);
	const [grants, setGrants] = useState<Grant[] | undefined>();
	const [links, setLinks] = useState<ShareLink[]>([]);
	const [people, setPeople] = useState<Person[]>([]);
	const [sites, setSites] = useState<Site[]>([]);
	const [who, setWho] = useState("");
	const [only, setOnly] = useState<string[]>([]);
	const [jobs, setJobs] = useState("");
	const [from, setFrom] = useState("");
	const [to, setTo] = useState("");
	const [days, setDays] = useState("30");
	const a = useAct();
	const load = () =>
		a.run(async () => {
			setGrants(
				await pages((pageToken) =>
					desk()
						.grants.listGrants({ pageSize: 1000, pageToken })
						.then((p) => ({ items: p.grants, nextPageToken: p.nextPageToken })),
				),
			);
			if (!office) return;
			setLinks((await desk().grants.listShareLinks({ pageSize: 1000 })).shareLinks);
			const [p, s] = await Promise.all([allPeople(), allSites()]);
			const auditors = p.filter((x) => x.roles.includes(Role.AUDITOR) && !x.disabled);
			setPeople(p);
			setSites(s);
			setWho((now) => now || (auditors[0]?.name ?? ""));
		});
	useEffect(() => void load(), []);
	const auditors = people.filter((p) => p.roles.includes(Role.AUDITOR) && !p.disabled);
	const titleOf = (name: string) => people.find((p) => p.name === name)?.title ?? w.person(name);
	const make = () =>
		a
			.run(async () => {
				const n = Number(days);
				if (!(n >= 1 && n <= 3660)) throw new Error(t("grants.days.bad"));
				await desk().grants.createGrant({
					grant: {
						person: who,
						sites: only,
						jobs: jobs
							.split(/[\s,;]+/)
							.filter((x) => x !== "")
							.map((x) => `jobs/${x.replace(/^jobs\//, "")}`),
						fromDay: from,
						toDay: to,
						expireTime: timestampFromMs(Date.now() + n * 86_400_000),
					},
				});
				setOnly([]);
				setJobs("");
			})
			.then((ok) => ok && load());
	const over = (g: { expireTime?: Grant["expireTime"]; revokeTime?: Grant["revokeTime"] }) =>
		g.revokeTime !== undefined || timeOf(g.expireTime) < Date.now();
	return (
		<OfficeFrame at="access">
			<div class="col body">
				<h1>{t("nav.access")}</h1>
				<p class="why">{t("grants.why")}</p>
				<Message text={a.failed} />
				<h2>{t("grants.title")}</h2>
				{grants?.length === 0 && <p class="why">{t("grants.none")}</p>}
				<ul class="list">
					{(grants ?? []).map((g) => (
						<li class="row" key={g.name}>
							<Stripe sign={over(g) ? "broken" : "whole"} />
							<span>
								{titleOf(g.person)}
								<small class="num">
									{[
										g.sites.length > 0 ? g.sites.map((s) => sites.find((x) => x.name === s)?.title ?? s).join(", ") : t("grants.all-sites"),
										g.jobs.length > 0 ? g.jobs.map((j) => j.replace(/^jobs\//, "")).join(", ") : "",
										g.fromDay || g.toDay
											? `${g.fromDay ? date(g.fromDay, w.language) : "…"} – ${g.toDay ? date(g.toDay, w.language) : "…"}`
											: "",
										t(g.revokeTime ? "links.ended" : over(g) ? "grants.over" : "links.until", {
											time: moment(timeOf(g.revokeTime ?? g.expireTime), w.language),
										}),
									]
										.filter((x) => x)
										.join(" · ")}
								</small>
							</span>
							{office && !over(g) && (
								<button
									type="button"
									class="danger"
									onClick={() =>
										void a.run(async () => void (await desk().grants.revokeGrant({ name: g.name }))).then((ok) => ok && load())
									}
								>
									{t("links.revoke")}
								</button>
							)}
						</li>
					))}
				</ul>
				{office && (
					<>
						<h2>{t("grants.add")}</h2>
						{auditors.length === 0 ? (
							<p class="why">{t("grants.no-auditor")}</p>
						) : (
							<form
								onSubmit={(e) => {
									e.preventDefault();
									void make();
								}}
							>
								<div class="fields">
									<Field
										label={t("role.AUDITOR")}
										value={who}
										set={setWho}
										options={auditors.map((p) => ({ id: p.name, title: p.title }))}
									/>
									<Field label={t("links.days")} value={days} set={setDays} type="number" />
									<Field label={t("grants.from")} value={from} set={setFrom} type="date" />
									<Field label={t("grants.to")} value={to} set={setTo} type="date" />
									<Field label={t("grants.jobs")} hint={t("grants.jobs.hint")} value={jobs} set={setJobs} max={4000} />
								</div>
								<Checks label={t("grants.sites")} value={only} set={setOnly} options={sites.map((s) => ({ id: s.name, title: s.title }))} />
								<div class="actions tight">
									<button type="submit" class="strong" aria-disabled={a.busy}>
										{t("grants.make")}
									</button>
								</div>
							</form>
						)}
						{auditors
							.filter((p) => p.name === who)
							.map((p) => (
								<EnrolCode key={p.name} person={p} />
							))}
						<h2>{t("links.title")}</h2>
						<p class="why">{t("links.from-job")}</p>
						<ul class="list">
							{links.map((l) => (
								<li class="row" key={l.name}>
									<Stripe sign={over(l) ? "broken" : "whole"} />
									<span>
										{l.title || t("links.untitled")}
										<small class="num">
											{[
												l.job.replace(/^jobs\//, ""),
												t(over(l) ? "links.ended" : "links.until", { time: moment(timeOf(l.revokeTime ?? l.expireTime), w.language) }),
												l.hasCode ? t("links.has-code") : "",
											]
												.filter((x) => x)
												.join(" · ")}
										</small>
									</span>
									{!over(l) && (
										<button
											type="button"
											class="danger"
											onClick={() =>
												void a.run(async () => void (await desk().grants.revokeShareLink({ name: l.name }))).then((ok) => ok && load())
											}
										>
											{t("links.revoke")}
										</button>
									)}
								</li>
							))}
						</ul>
					</>
				)}
			</div>
		</OfficeFrame>
	);
}

export function Organization({ route: _ }: { route: Route }) {
	const { t } = useDeskWords();
	usePhone();
	const now = phone.organizationSettings;
	const [signatures, setSignatures] = useState(now?.requireDeviceSignatures ?? false);
	const [waiver, setWaiver] = useState(now?.fourEyesWaiver ?? "");
	const [proven, setProven] = useState(now?.notProvenNeedsDeviation ?? false);
	const [wind, setWind] = useState(String(now?.windHoldsMinutes || ""));
	const [saved, setSaved] = useState(false);
	const a = useAct();
	// What is shown is what the server has, not what this machine last heard.
	useEffect(() => {
		void a.run(async () => {
			const me = await desk().devices.getIdentity({});
			setSignatures(me.settings?.requireDeviceSignatures ?? false);
			setWaiver(me.settings?.fourEyesWaiver ?? "");
			setProven(me.settings?.notProvenNeedsDeviation ?? false);
			setWind(String(me.settings?.windHoldsMinutes || ""));
		});
	}, []);
	const save = () =>
		a.run(async () => {
			setSaved(false);
			const minutes = wind.trim() === "" ? 0 : Number(wind);
			if (!Number.isInteger(minutes) || minutes < 0 || minutes > 1440) throw new Error(t("organization.wind.bad"));
			await desk().setup.updateSettings({
				settings: {
					requireDeviceSignatures: signatures,
					fourEyesWaiver: waiver.trim(),
					notProvenNeedsDeviation: proven,
					windHoldsMinutes: minutes,
				},
			});
			await phone.identify();
			setSaved(true);
		});
	return (
		<OfficeFrame at="organization">
			<form
				class="col body"
				onSubmit={(e) => {
					e.preventDefault();
					void save();
				}}
			>
				<h1>{t("nav.organization")}</h1>
				<Checks
					label={t("organization.rules")}
					value={[signatures ? "signatures" : "", proven ? "proven" : ""].filter((x) => x)}
					set={(v) => {
						setSignatures(v.includes("signatures"));
						setProven(v.includes("proven"));
					}}
					options={[
						{ id: "signatures", title: t("organization.signatures"), small: t("organization.signatures.what") },
						{ id: "proven", title: t("organization.proven"), small: t("organization.proven.what") },
					]}
				/>
				<Field label={t("organization.wind")} hint={t("organization.wind.hint")} value={wind} set={setWind} type="number" />
				<Field label={t("organization.waiver")} hint={t("organization.waiver.hint")} value={waiver} set={setWaiver} rows={2} max={1000} />
				<Message text={a.failed} />
				<div class="actions tight">
					<button type="submit" class="strong" aria-disabled={a.busy}>
						{t("save")}
					</button>
					{saved && <span role="status">{t("saved-there")}</span>}
				</div>
			</form>
		</OfficeFrame>
	);
}
