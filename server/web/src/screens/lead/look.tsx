// What wants the lead: one thing at a time, the next one under a key.

import { useEffect, useMemo, useState } from "preact/hooks";
import { unhex } from "../../bytes";
import { Assessed_Outcome as Assessed } from "../../gen/witnessmark/record/v1/entry_pb";
import { StepState as S } from "../../gen/witnessmark/record/v1/line_pb";
import { Role } from "../../gen/witnessmark/v1/access_pb";
import type { RefusedEntry } from "../../gen/witnessmark/v1/jobs_pb";
import { Message, Stripe } from "../../parts/basic";
import { Ask, Columns, useAct, useKeys, useWide } from "../../parts/desk";
import { go, type Route } from "../../route";
import { keep, kept } from "../../store/database";
import { phone } from "../../store/phone";
import { hour } from "../../text";
import { type DeskWords, useDeskWords } from "../../text/lead";
import { Entries, Photos, personOf, StepDetail, stepName } from "./detail";
import { type Item, nextItem, queue } from "./queue";
import { type Review, readLine, timeOf } from "./review";
import { tell } from "./sign";

export function isLead(): boolean {
	return phone.state.person?.roles.includes(Role.LEAD) ?? false;
}

export function reviewPath(job: string, view = "", query: Readonly<Record<string, string | undefined>> = {}): string {
	const q = new URLSearchParams();
	if (view) q.set("view", view);
	for (const [k, v] of Object.entries(query)) if (v) q.set(k, v);
	return `/job/${encodeURIComponent(job.replace(/^jobs\//, ""))}/review${q.size > 0 ? `?${q}` : ""}`;
}

/** The title of a thing to look at: where, what. */
export function itemTitle(r: Review, i: Item, w: DeskWords): string {
	const where = i.step ? stepName(r, i.step, w.language) : "";
	const what =
		i.kind === "exception"
			? w.known("exception", i.exception)
			: w.t(i.kind === "out" ? "look.out" : i.kind === "asked" ? "look.asked" : i.kind === "hold" ? "look.hold" : "look.doubt");
	return where ? `${where}: ${what}` : what;
}

/**
 * Exceptions that were looked at and are not yet said to the server: they go as
 * one entry, when the last was looked at or when the lead turns to signing. Kept
 * on this machine meanwhile.
 */
export function useSeen(r: Review): { seen: ReadonlySet<string>; add: (id: string) => Promise<void>; flush: () => Promise<void> } {
	const [seen, setSeen] = useState<ReadonlySet<string>>(new Set());
	const store = `looked:${r.name}`;
	useEffect(() => {
		void kept<string[]>(store).then((l) => l && setSeen((s) => new Set([...l, ...s])));
	}, [store]);
	return {
		seen,
		add: async (id) => {
			const more = new Set([...seen, id]);
			setSeen(more);
			await keep(store, [...more]);
		},
		flush: async () => {
			const standing = new Set((r.view?.exceptions ?? []).map((x) => x.id));
			const ids = [...seen].filter((id) => standing.has(id));
			if (ids.length > 0) {
				for (let i = 0; i < ids.length; i += 200) {
					await tell(r, {
						kind: {
							case: "lookedAt",
							value: { $typeName: "witnessmark.record.v1.LookedAt", exceptions: ids.slice(i, i + 200), remark: "" },
						},
					});
				}
			}
			setSeen(new Set());
			await keep(store, undefined);
		},
	};
}

type Asking = "" | "return" | "deviation" | "finding" | "stands" | "not-count";

export function Look({ r, route, seen }: { r: Review; route: Route; seen: ReturnType<typeof useSeen> }) {
	const w = useDeskWords();
	const { t } = w;
	const me = phone.state.person?.name ?? "";
	const lead = isLead() && !r.closed && !r.desk.shared;
	const items = useMemo(
		() =>
			queue(
				r.view!,
				r.steps.map((s) => s.view),
				me,
				isLead(),
			),
		[r.view, r.steps, me],
	);
	const key = route.query.get("x") ?? undefined;
	const wide = useWide();
	const open = items.filter((i) => !i.done && !seen.seen.has(i.key));
	const current = items.find((i) => i.key === key) ?? (wide ? (open[0] ?? items[0]) : undefined);
	const [asking, setAsking] = useState<Asking>("");
	const a = useAct();
	useEffect(() => {
		setAsking("");
		a.clear();
	}, [current?.key]);
	const to = (i: Item | undefined) => i && go(reviewPath(r.name, "look", { x: i.key }), key !== undefined);
	const next = () =>
		to(nextItem(items, current?.key, seen.seen) ?? items[(items.findIndex((i) => i.key === current?.key) + 1) % items.length]);
	const previous = () => {
		const at = items.findIndex((i) => i.key === current?.key);
		to(items[(at - 1 + items.length) % items.length]);
	};
	const isMine = current?.kind === "exception" && !current.done && !seen.seen.has(current.key);
	const looked = async () => {
		if (!current || !isMine || !lead) return next();
		await a.run(async () => {
			await seen.add(current.key);
			const rest = open.filter((i) => i.kind === "exception" && i.key !== current.key);
			const after = nextItem(items, current.key, new Set([...seen.seen, current.key]));
			if (after) to(after);
			else if (rest.length === 0) go(reviewPath(r.name, "look"), true);
		});
	};
	useKeys({
		n: next,
		ArrowDown: next,
		p: previous,
		ArrowUp: previous,
		l: lead ? () => void looked() : undefined,
		r: lead && current?.step ? () => setAsking("return") : undefined,
	});

	const say = (kind: Parameters<typeof tell>[1]["kind"], step?: string) => async () => {
		await tell(r, step ? { kind, step } : { kind });
		setAsking("");
	};
	const waiting = [...seen.seen].filter((id) => r.view?.exceptions.some((x) => x.id === id)).length;
	const counts = r.view?.counts;
	const entries = r.lines.length;

	const list = (
		<>
			<div>
				<h1>{open.length > 0 ? t("look.title", { n: open.length }) : t("look.none")}</h1>
				<p class="why num">
					{t("look.rest", {
						steps: counts?.requiredCount ?? 0,
						done: counts?.doneCount ?? 0,
						lines: entries,
						photos: r.view?.photos.length ?? 0,
					})}
				</p>
			</div>
			<ul class="list">
				{items.map((i) => (
					<li key={i.key}>
						<button type="button" class="row" aria-current={i.key === current?.key ? "true" : undefined} onClick={() => to(i)}>
							<Stripe sign={i.sign} />
							<span>
								{itemTitle(r, i, w)}
								<small class="num">{i.sentence}</small>
								{(i.done || seen.seen.has(i.key)) && (
									<small>
										<b>{t("look.looked")}</b>
										{i.by ? ` · ${personOf(r, i.by, w)}` : ""}
									</small>
								)}
							</span>
							<span class="go" aria-hidden="true">
								›
							</span>
						</button>
					</li>
				))}
			</ul>
			{items.length > 0 && (
				<p class="keys-hint">
					<kbd>n</kbd> {t("keys.next")} · <kbd>p</kbd> {t("keys.previous")}
					{lead && (
						<>
							{" "}
							· <kbd>l</kbd> {t("keys.looked")} · <kbd>r</kbd> {t("keys.return")}
						</>
					)}
				</p>
			)}
			{!wide && open.length > 0 && (
				<div class="actions">
					<button type="button" class="strong" onClick={() => to(open[0])}>
						{t("look.first")}
					</button>
				</div>
			)}
			{open.length === 0 && lead && (
				<div class="actions">
					<button
						type="button"
						class="strong"
						onClick={() => void a.run(seen.flush).then((ok) => ok && go(reviewPath(r.name, "sign"), true))}
					>
						{waiting > 0 ? t("look.say-and-sign", { n: waiting }) : t("look.to-sign")}
					</button>
				</div>
			)}
			{!wide && <Message text={a.failed} />}
		</>
	);

	const s = current?.step ? r.byId.get(current.step) : undefined;
	const asked = s?.view.entries.findLast((e) => e.entry?.kind.case === "deviationAsked" && !e.withdrawn);
	const canDeviate = lead && s && (current?.kind === "asked" || current?.kind === "out" || s.view.state === S.OUT_OF_LIMITS);
	const findings =
		current?.exception === "PHOTO_FINDING" || current?.exception === "END_FACE_FAILS"
			? (r.view?.photos ?? []).filter((p) => p.step === current.step && p.findings.some((f) => f.exception))
			: [];

	const head = current && (
		<>
			{/* The heading of a step's detail is the step; what is to be looked at stands before it. */}
			<div class="find" hidden={current.kind === "out"}>
				<Stripe sign={current.sign} />
				<span>
					<b>
						{current.kind === "exception"
							? w.known("exception", current.exception)
							: t(
									current.kind === "out"
										? "look.out"
										: current.kind === "asked"
											? "look.asked"
											: current.kind === "hold"
												? "look.hold"
												: "look.doubt",
								)}
					</b>{" "}
					{current.sentence}
					{current.lines.length > 0 && <small class="work num"> {t("look.lines", { list: current.lines.slice(0, 12).join(", ") })}</small>}
				</span>
			</div>
			<Message text={a.failed} />
			{asking === "return" && s && (
				<Ask
					title={t("return.why", { step: stepName(r, s.view.id, w.language) })}
					label={t("return.do")}
					cancel={() => setAsking("")}
					act={(reason) =>
						say({
							case: "returnedForRework",
							value: { $typeName: "witnessmark.record.v1.ReturnedForRework", steps: [s.view.id], reason },
						})()
					}
				/>
			)}
			{asking === "deviation" && s && (
				<Ask
					title={t("deviation.why")}
					label={t("deviation.do")}
					cancel={() => setAsking("")}
					act={(reason) =>
						say(
							{
								case: "deviationAccepted",
								value: { $typeName: "witnessmark.record.v1.DeviationAccepted", asked: asked?.entry?.id ?? "", reason },
							},
							s.view.id,
						)()
					}
				/>
			)}
			{asking === "finding" && (
				<Ask
					title={t("finding.why")}
					label={t("finding.do")}
					cancel={() => setAsking("")}
					act={async (reason) => {
						for (const p of findings) {
							await tell(r, {
								kind: {
									case: "findingAccepted",
									value: {
										$typeName: "witnessmark.record.v1.FindingAccepted",
										digest: unhex(p.digest),
										codes: p.findings.filter((f) => f.exception).map((f) => f.code),
										reason,
									},
								},
								step: p.step,
							});
						}
						setAsking("");
					}}
				/>
			)}
			{(asking === "stands" || asking === "not-count") && current.kind === "doubt" && (
				<Ask
					title={t("doubt.why")}
					label={t(asking === "stands" ? "doubt.stands" : "doubt.not-count")}
					cancel={() => setAsking("")}
					act={(reason) =>
						say({
							case: "assessed",
							value: {
								$typeName: "witnessmark.record.v1.Assessed",
								doubts: [current.key.slice("doubt|".length)],
								outcome: asking === "stands" ? Assessed.STANDS : Assessed.DOES_NOT_COUNT,
								reason,
							},
						})()
					}
				/>
			)}
			{lead && asking === "" && (
				<div class="actions">
					{canDeviate && (
						<button type="button" onClick={() => setAsking("deviation")}>
							{t("deviation.do")}
						</button>
					)}
					{findings.length > 0 && (
						<button type="button" onClick={() => setAsking("finding")}>
							{t("finding.do")}
						</button>
					)}
					{current.kind === "doubt" && (
						<>
							<button type="button" onClick={() => setAsking("stands")}>
								{t("doubt.stands")}
							</button>
							<button type="button" onClick={() => setAsking("not-count")}>
								{t("doubt.not-count")}
							</button>
						</>
					)}
				</div>
			)}
		</>
	);

	const detail = current ? (
		s ? (
			<StepDetail r={r} s={s} mark={current.lines}>
				{head}
			</StepDetail>
		) : (
			<>
				<h1>{itemTitle(r, current, w)}</h1>
				{head}
				{current.kind === "hold" && <p class="work">{t("aid")}</p>}
				{current.kind === "doubt" && <DoubtSteps r={r} id={current.key.slice("doubt|".length)} />}
				{current.exception === "REFUSED_ASIDE" && <Refused r={r} lead={lead} />}
				<Causes r={r} lines={current.lines} />
			</>
		)
	) : (
		<p class="why">{t(items.length === 0 ? "look.none" : "look.choose")}</p>
	);

	const foot = current && (
		<>
			{!wide && (
				<button type="button" class="second" onClick={() => go(reviewPath(r.name, "look"), true)}>
					{t("list")}
				</button>
			)}
			{lead && s && asking === "" && (
				<button type="button" class="second" onClick={() => setAsking("return")}>
					{t("return.do")}
				</button>
			)}
			<button type="button" class="primary" aria-disabled={a.busy} onClick={() => void looked()}>
				{isMine && lead ? t("look.looked-next") : t("look.next")}
				<small class="num">{open.length > 0 ? t("look.left", { n: open.length }) : t("look.all")}</small>
			</button>
		</>
	);
	const place = s?.view.scope;
	const around = place && s ? (r.view?.photos ?? []).filter((p) => p.step !== s.view.id && r.byId.get(p.step)?.view.scope === place) : [];
	return (
		<Columns
			label={t("tab.look")}
			list={list}
			detail={detail}
			open={current !== undefined && key !== undefined}
			foot={foot}
			aside={
				around.length > 0 ? (
					<>
						<h2>{t("photos.around", { place: s?.connection?.title || s?.line?.title || "" })}</h2>
						<Photos r={r} photos={around} />
					</>
				) : undefined
			}
		/>
	);
}

function DoubtSteps({ r, id }: { r: Review; id: string }) {
	const w = useDeskWords();
	const d = r.view?.doubts.find((x) => x.id === id);
	return (
		<>
			{(d?.steps ?? []).map((step) => {
				const s = r.byId.get(step);
				return (
					<div key={step}>
						<h2>{stepName(r, step, w.language)}</h2>
						{s && <Entries r={r} s={s} />}
					</div>
				);
			})}
		</>
	);
}

/** The causing lines as they are, where no step shows them. */
function Causes({ r, lines }: { r: Review; lines: readonly number[] }) {
	const w = useDeskWords();
	const shown = lines.slice(0, 30).flatMap((n) => {
		const line = r.lines[n - 1];
		if (!line) return [];
		try {
			return [readLine(line)];
		} catch {
			return []; // a form that this client does not know; the lines' own screen shows its bytes
		}
	});
	if (shown.length === 0) return null;
	return (
		<>
			<h2>{w.t("look.causes")}</h2>
			<ul class="list">
				{shown.map((l) => (
					<li class="row" key={l.seq}>
						<span>
							{w.known("kind", l.kind)}
							{l.step ? ` · ${stepName(r, l.step, w.language)}` : ""}
							<small class="num">
								{w.t("entry.line", { n: l.seq })} · {l.author ? personOf(r, l.author, w) : w.t("by-server")} ·{" "}
								{hour(Date.parse(l.received), w.language, r.job?.zone)}
							</small>
						</span>
					</li>
				))}
			</ul>
		</>
	);
}

/** Entries that were refused and kept aside; a lead may admit one, with a reason. */
export function Refused({ r, lead }: { r: Review; lead: boolean }) {
	const w = useDeskWords();
	const { t } = w;
	const [list, setList] = useState<RefusedEntry[] | undefined>();
	const [admit, setAdmit] = useState("");
	const a = useAct();
	const load = () =>
		a.run(async () => {
			const out: RefusedEntry[] = [];
			let pageToken = "";
			do {
				const page = await r.desk.jobs.listRefused({ job: r.name, pageSize: 200, pageToken });
				out.push(...page.refused);
				pageToken = page.nextPageToken;
			} while (pageToken && out.length < 1000);
			setList(out);
		});
	useEffect(() => void load(), [r]);
	return (
		<>
			<h2>{t("refused.title")}</h2>
			<Message text={a.failed} />
			{list?.length === 0 && <p class="why">{t("refused.none")}</p>}
			{list?.map((x) => (
				<details key={x.digest}>
					<summary>
						<span class="num">
							{x.sentence || x.reason} · {x.sender ? personOf(r, x.sender, w) : t("unknown")} ·{" "}
							{hour(timeOf(x.receiveTime), w.language, r.job?.zone)}
							{x.admitted ? ` · ${t("refused.admitted")}` : ""}
						</span>
					</summary>
					<div>
						<p class="work">
							<code>{x.reason}</code> · <code>{x.digest.slice(0, 16)}</code>
						</p>
						<pre class="raw">{new TextDecoder().decode(x.payload).slice(0, 4000)}</pre>
						{lead && !x.admitted && admit !== x.digest && (
							<div class="actions tight">
								<button type="button" onClick={() => setAdmit(x.digest)}>
									{t("refused.admit")}
								</button>
							</div>
						)}
						{admit === x.digest && (
							<Ask
								title={t("refused.why")}
								label={t("refused.admit")}
								cancel={() => setAdmit("")}
								act={async (reason) => {
									await r.desk.jobs.admitRefused({ job: r.name, digest: x.digest, reason });
									setAdmit("");
									await load();
									await r.refresh();
								}}
							/>
						)}
					</div>
				</details>
			))}
		</>
	);
}
