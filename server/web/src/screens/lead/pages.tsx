// The other pages of a job: all photos, the raw lines, the evidence, the rest.

import { timestampFromMs } from "@bufbuild/protobuf/wkt";
import { useEffect, useMemo, useState } from "preact/hooks";
import { hex, sha256 } from "../../bytes";
import { Role } from "../../gen/witnessmark/v1/access_pb";
import type { Checkpoint } from "../../gen/witnessmark/v1/evidence_pb";
import { HoldButton, Message, Stripe } from "../../parts/basic";
import { Ask, Columns, Field, Photo, useAct, useWide } from "../../parts/desk";
import { Windowed } from "../../parts/windowed";
import { go, type Route } from "../../route";
import { phone } from "../../store/phone";
import { moment } from "../../text";
import { useDeskWords } from "../../text/lead";
import { getFile, keepFile } from "./desk";
import { besides, Findings, personOf, shotsOf, stepName } from "./detail";
import { isLead, Refused, reviewPath } from "./look";
import { type LineText, type Review, readLine, shortRoot, timeOf } from "./review";
import { tell } from "./sign";

/** All photos, by place, before beside after. */
export function PhotoWall({ r }: { r: Review }) {
	const w = useDeskWords();
	const { t } = w;
	const [only, setOnly] = useState(false);
	const photos = (r.view?.photos ?? []).filter((p) => !only || p.findings.some((f) => f.exception) || !p.received);
	const groups = new Map<string, typeof photos>();
	for (const p of photos) {
		const s = r.byId.get(p.step);
		const at = s?.connection?.title || s?.line?.title || "";
		groups.set(at, [...(groups.get(at) ?? []), p]);
	}
	return (
		<div class="col body">
			<h1>{t("photos.title", { n: r.view?.photos.length ?? 0 })}</h1>
			<div class="actions tight">
				<button type="button" aria-pressed={only} onClick={() => setOnly(!only)}>
					{t(only ? "photos.all" : "photos.only-findings")}
				</button>
			</div>
			{photos.length === 0 && <p class="why">{t("photos.none")}</p>}
			{[...groups].map(([place, list]) => {
				const shots = shotsOf(r, w, besides(r, list));
				return (
					<section key={place}>
						<h2>{place || t("photos.job")}</h2>
						<div class="pairs wall">
							{shots.map((s, i) => (
								<Photo key={`${s.digest}${i}`} desk={r.desk} shot={s} all={shots} />
							))}
						</div>
						<Findings photos={list.filter((p) => p.findings.some((f) => f.exception))} />
					</section>
				);
			})}
		</div>
	);
}

/** The lines as they are kept: each is one leaf of the tree. */
export function Lines({ r, route }: { r: Review; route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const [text, setText] = useState("");
	const wide = useWide();
	const at = Number(route.query.get("line") ?? "0");
	const all = useMemo(
		() =>
			r.lines.map((l): LineText => {
				try {
					return readLine(l);
				} catch {
					// Of a form that this client does not know: its bytes are shown as they are.
					return { seq: l.seq, received: "", kind: "", step: "", author: "", payload: "", attested: false, keyId: "", entry: {} };
				}
			}),
		[r.lines.length],
	);
	const words = text.toLowerCase().trim();
	const shown = all.filter((l) => words === "" || `${l.seq} ${l.kind} ${l.step} ${l.author} ${l.payload}`.toLowerCase().includes(words));
	const line = r.lines[(at || (wide ? 1 : 0)) - 1];
	return (
		<Columns
			label={t("tab.lines")}
			open={at > 0}
			list={
				<>
					<h1>{t("lines.title", { n: r.lines.length })}</h1>
					<p class="why num">
						{t("lines.root")} <code>{shortRoot(r.root, 6)}</code> ·{" "}
						<b>{t(r.agrees === undefined ? "lines.unchecked" : r.agrees ? "lines.agrees" : "lines.differs")}</b>
					</p>
					<label>
						{t("lines.find")}
						<input type="search" value={text} onInput={(e) => setText(e.currentTarget.value)} />
					</label>
					<Windowed
						items={shown}
						height={66}
						render={(l) => (
							<li key={l.seq}>
								<button
									type="button"
									class="row"
									aria-current={l.seq === line?.seq ? "true" : undefined}
									onClick={() => go(reviewPath(r.name, "lines", { line: String(l.seq) }), at > 0)}
								>
									<span>
										<span class="num">{l.seq}</span> {w.known("kind", l.kind)}
										{l.step ? ` · ${stepName(r, l.step, w.language)}` : ""}
										<small class="num">
											{[
												l.author ? personOf(r, l.author, w) : t("by-server"),
												l.received ? moment(Date.parse(l.received), w.language, r.job?.zone) : "",
												l.attested ? t("lines.attested") : "",
											]
												.filter((x) => x)
												.join(" · ")}
										</small>
									</span>
									<span class="go" aria-hidden="true">
										›
									</span>
								</button>
							</li>
						)}
					/>
				</>
			}
			detail={line ? <LineDetail r={r} seq={line.seq} text={all[line.seq - 1]!} /> : <p class="why">{t("lines.choose")}</p>}
			foot={
				!wide && at > 0 ? (
					<button type="button" class="primary" onClick={() => go(reviewPath(r.name, "lines"), true)}>
						{t("list")}
					</button>
				) : undefined
			}
		/>
	);
}

function LineDetail({ r, seq, text }: { r: Review; seq: number; text: LineText }) {
	const { t } = useDeskWords();
	const [digest, setDigest] = useState("");
	useEffect(() => {
		setDigest("");
		void sha256(new TextEncoder().encode(text.payload) as never).then((d) => setDigest(hex(d)));
	}, [text.payload]);
	let pretty = text.payload;
	try {
		pretty = JSON.stringify(JSON.parse(text.payload), null, 2);
	} catch {
		// shown as it is
	}
	return (
		<>
			<h1>{t("entry.line", { n: seq })}</h1>
			<table class="facts num">
				<tbody>
					<tr>
						<th>{t("lines.payload")}</th>
						<td>
							<code>{digest}</code>
						</td>
					</tr>
					<tr>
						<th>{t("lines.signed")}</th>
						<td>{text.keyId ? t("lines.key", { key: text.keyId }) : t("lines.attested")}</td>
					</tr>
				</tbody>
			</table>
			<h2>{t("lines.entry")}</h2>
			<pre class="raw">{pretty}</pre>
			<details>
				<summary>{t("lines.bytes")}</summary>
				<pre class="raw">{new TextDecoder().decode(r.lines[seq - 1]!.bytes)}</pre>
			</details>
		</>
	);
}

/** What an auditor takes away, and how it can be checked. */
export function Evidence({ r }: { r: Review }) {
	const w = useDeskWords();
	const { t } = w;
	const a = useAct();
	const [checkpoint, setCheckpoint] = useState<Checkpoint | undefined>();
	const [leaf, setLeaf] = useState<{ index: number; size: number } | undefined>();
	useEffect(() => {
		r.desk.evidence.getCheckpoint({}).then(setCheckpoint, () => undefined); // shown where it can be had
		if (r.closed)
			r.desk.evidence.getInclusionProof({ job: r.name }).then(
				(p) => setLeaf({ index: Number(p.index), size: Number(p.size) }),
				() => undefined, // the same
			);
	}, [r, r.closed]);
	const id = r.name.replace(/^jobs\//, "");
	const get = (path: string, name: string) => a.run(async () => keepFile(await getFile(r.desk, path), name));
	const exceptions = r.view?.exceptions ?? [];
	return (
		<div class="col body">
			<div class={`verdict ${r.agrees === false ? "bad" : r.closed ? "" : "plain"}`}>
				<Stripe sign={r.agrees === false ? "broken" : r.closed ? "whole" : "hollow"} />
				<div>
					<strong>
						{t(
							r.agrees === false
								? "sealed.differs"
								: r.closed
									? r.job?.state === 4
										? "evidence.ended"
										: "evidence.untouched"
									: "evidence.open",
						).toUpperCase()}
					</strong>
					<p class="num">{t("evidence.checked", { n: r.lines.length, photos: r.view?.photos.length ?? 0 })}</p>
				</div>
			</div>
			{r.job?.contradicted && <p class="care">{t("evidence.contradicted")}</p>}
			<table class="facts num">
				<tbody>
					<tr>
						<th>{t("evidence.root")}</th>
						<td>
							<code>
								{hex(r.root ?? new Uint8Array())
									.match(/.{4}/g)
									?.join(" ")}
							</code>
						</td>
					</tr>
					{r.job?.lockTime && (
						<tr>
							<th>{t("evidence.locked")}</th>
							<td>
								{moment(timeOf(r.job.lockTime), w.language, r.job.zone)} ({r.job.zone})
							</td>
						</tr>
					)}
					{leaf && (
						<tr>
							<th>{t("sealed.log")}</th>
							<td>{t("evidence.leaf", { n: leaf.index, size: leaf.size })}</td>
						</tr>
					)}
					<tr>
						<th>{t("evidence.addenda")}</th>
						<td>{Number(r.job?.addendumCount ?? 0n)}</td>
					</tr>
					<tr>
						<th>{t("evidence.exceptions")}</th>
						<td>{exceptions.length}</td>
					</tr>
				</tbody>
			</table>
			<Message text={a.failed} />
			<div class="actions">
				{r.closed &&
					(r.desk.cookie ? (
						<a class="button strong link" href={`/jobs/${encodeURIComponent(id)}/package.zip`} download={`${id}.zip`}>
							{t("evidence.package")}
						</a>
					) : (
						<button
							type="button"
							class="strong"
							aria-disabled={a.busy}
							onClick={() => void get(`/jobs/${encodeURIComponent(id)}/package.zip`, `${id}.zip`)}
						>
							{t("evidence.package")}
						</button>
					))}
				{r.desk.cookie && (
					<a class="button link" href={`/jobs/${encodeURIComponent(id)}/report`} target="_blank" rel="noreferrer">
						{t("evidence.report")}
					</a>
				)}
				{!r.desk.cookie && (
					<button
						type="button"
						aria-disabled={a.busy}
						onClick={() => void get(`/jobs/${encodeURIComponent(id)}/report`, `${id}-report.html`)}
					>
						{t("evidence.report-file")}
					</button>
				)}
				<button
					type="button"
					aria-disabled={a.busy}
					onClick={() => void get(`/jobs/${encodeURIComponent(id)}/readings.csv`, `${id}-readings.csv`)}
				>
					{t("evidence.readings")}
				</button>
				<button
					type="button"
					onClick={() => {
						const parts = r.lines.flatMap((l) => [l.bytes, new Uint8Array([10])]);
						keepFile(new Blob(parts, { type: "application/jsonl" }), `${id}-record.jsonl`);
					}}
				>
					{t("evidence.lines")}
				</button>
			</div>
			{!r.closed && <p class="why">{t("evidence.not-yet")}</p>}
			{checkpoint && (
				<details>
					<summary>{t("evidence.checkpoint")}</summary>
					<div>
						<p class="work">{t("evidence.checkpoint.why")}</p>
						<pre class="raw">{checkpoint.note}</pre>
						<p class="work">
							{t("evidence.key")} <code>{checkpoint.key}</code>
						</p>
						<div class="actions tight">
							<button
								type="button"
								onClick={() => keepFile(new Blob([checkpoint.note], { type: "text/plain" }), `checkpoint-${checkpoint.size}.txt`)}
							>
								{t("evidence.checkpoint.keep")}
							</button>
						</div>
					</div>
				</details>
			)}
			<details>
				<summary>{t("evidence.how")}</summary>
				<p class="work">{t("evidence.how.text")}</p>
			</details>
		</div>
	);
}

/** Stop and resume, climbs, kits, what was refused, who is on it, links. */
export function More({ r }: { r: Review }) {
	const w = useDeskWords();
	const { t } = w;
	const lead = isLead() && !r.closed && !r.desk.shared;
	const office = phone.state.person?.roles.includes(Role.OFFICE) ?? false;
	const view = r.view!;
	const c = view.counts;
	return (
		<div class="col body">
			<h1>{t("tab.more")}</h1>
			<ul class="counts num">
				{(
					[
						["count.done", c?.doneCount],
						["count.open", c?.openCount],
						["count.out", c?.outOfLimitsCount],
						["count.waiting", c?.waitingCount],
					] as const
				).map(([key, n]) => (
					<li key={key}>
						<b>{n ?? 0}</b>
						{t(key)}
					</li>
				))}
			</ul>
			{lead && <StopResume r={r} />}
			<h2>{t("climbs.title")}</h2>
			{view.climbs.length === 0 && <p class="why">{t("climbs.none")}</p>}
			<ul class="list">
				{view.climbs.map((x) => (
					<li class="row" key={x.id}>
						<Stripe sign={x.closeTime ? "whole" : "hollow"} />
						<span>
							{x.crew.map((p) => personOf(r, p, w)).join(", ")}
							<small class="num">
								{moment(timeOf(x.openTime), w.language, r.job?.zone)} –{" "}
								{x.closeTime ? moment(timeOf(x.closeTime), w.language, r.job?.zone) : t("climbs.open")}
							</small>
						</span>
					</li>
				))}
			</ul>
			<h2>{t("kits.title")}</h2>
			{view.kits.length === 0 && <p class="why">{t("kits.none")}</p>}
			<ul class="list">
				{view.kits.map((k) => (
					<li class="row" key={k.entry}>
						<Stripe sign={k.state === 1 ? "whole" : k.state === 2 ? "dashed" : "broken"} />
						<span>
							{k.sentence}
							<small class="num">
								{k.instruments.map(w.instrument).join(", ")}
								{k.untilTime ? ` · ${t("kits.until", { time: moment(timeOf(k.untilTime), w.language, r.job?.zone) })}` : ""}
							</small>
						</span>
					</li>
				))}
			</ul>
			{!r.desk.shared && <Refused r={r} lead={lead} />}
			{(isLead() || office) && !r.desk.shared && <Links r={r} />}
		</div>
	);
}

/** One touch stops; resuming is held and says what was made right. */
export function StopResume({ r }: { r: Review }) {
	const { t } = useDeskWords();
	const a = useAct();
	const [asking, setAsking] = useState(false);
	return (
		<>
			<Message text={a.failed} />
			{r.view?.stopped ? (
				asking ? (
					<Ask
						title={t("stop.resume.why")}
						label={t("resume.do")}
						cancel={() => setAsking(false)}
						act={async (reason) => {
							await tell(r, { kind: { case: "workResumed", value: { $typeName: "witnessmark.record.v1.WorkResumed", reason } } });
							setAsking(false);
						}}
					/>
				) : (
					<div class="actions">
						<button type="button" onClick={() => setAsking(true)}>
							{t("resume.do")}
						</button>
					</div>
				)
			) : (
				<HoldButton
					danger
					label={t("stop.label")}
					small={t("hold-a-second")}
					act={() =>
						a.run(async () => {
							await tell(r, { kind: { case: "workStopped", value: { $typeName: "witnessmark.record.v1.WorkStopped", reason: "" } } });
						}) as Promise<unknown> as Promise<void>
					}
				/>
			)}
		</>
	);
}

/** Read-only links to this job. */
export function Links({ r }: { r: Review }) {
	const w = useDeskWords();
	const { t } = w;
	const a = useAct();
	const [links, setLinks] = useState<{ name: string; title: string; until: number; ended: boolean; hasCode: boolean }[]>([]);
	const [title, setTitle] = useState("");
	const [days, setDays] = useState("14");
	const [code, setCode] = useState("");
	const [made, setMade] = useState("");
	const load = () =>
		a.run(async () => {
			const page = await r.desk.grants.listShareLinks({ job: r.name, pageSize: 200 });
			setLinks(
				page.shareLinks.map((l) => ({
					name: l.name,
					title: l.title,
					until: timeOf(l.expireTime),
					ended: l.revokeTime !== undefined || timeOf(l.expireTime) < Date.now(),
					hasCode: l.hasCode,
				})),
			);
		});
	useEffect(() => void load(), [r]);
	const make = () =>
		a.run(async () => {
			const n = Number(days);
			if (!(n >= 1 && n <= 365)) throw new Error(t("links.days.bad"));
			const l = await r.desk.grants.createShareLink({
				shareLink: { job: r.name, title: title.trim(), code, expireTime: timestampFromMs(Date.now() + n * 86_400_000) },
			});
			setMade(l.uri);
			setTitle("");
			setCode("");
			await load();
		});
	return (
		<>
			<h2>{t("links.title")}</h2>
			<p class="why">{t("links.why")}</p>
			<Message text={a.failed} />
			{made && (
				<div class="find">
					<Stripe sign="whole" />
					<span>
						<b>{t("links.once")}</b>
						<br />
						<code>{made}</code>
						<div class="actions tight">
							<button type="button" onClick={() => void navigator.clipboard?.writeText(made)}>
								{t("links.copy")}
							</button>
						</div>
					</span>
				</div>
			)}
			<form
				onSubmit={(e) => {
					e.preventDefault();
					void make();
				}}
			>
				<div class="fields">
					<Field label={t("links.for")} value={title} set={setTitle} />
					<Field label={t("links.days")} value={days} set={setDays} type="number" />
					<Field label={t("links.code")} hint={t("links.code.hint")} value={code} set={(v) => setCode(v.replace(/\D/g, "").slice(0, 12))} />
				</div>
				<div class="actions tight">
					<button type="submit" class="strong" aria-disabled={a.busy}>
						{t("links.make")}
					</button>
				</div>
			</form>
			<ul class="list">
				{links.map((l) => (
					<li class="row" key={l.name}>
						<Stripe sign={l.ended ? "broken" : "whole"} />
						<span>
							{l.title || t("links.untitled")}
							<small class="num">
								{[t(l.ended ? "links.ended" : "links.until", { time: moment(l.until, w.language) }), l.hasCode ? t("links.has-code") : ""]
									.filter((x) => x)
									.join(" · ")}
							</small>
						</span>
						{!l.ended && (
							<button
								type="button"
								class="danger"
								onClick={() =>
									void a
										.run(async () => {
											await r.desk.grants.revokeShareLink({ name: l.name });
										})
										.then((ok) => ok && load())
								}
							>
								{t("links.revoke")}
							</button>
						)}
					</li>
				))}
			</ul>
		</>
	);
}
