// Procedures: the revisions, a readable preview, two revisions side by side, a
// document checked and published.

import { useEffect, useMemo, useState } from "preact/hooks";
import { utf8 } from "../../bytes";
import type { Limit, Procedure } from "../../gen/witnessmark/record/v1/procedure_pb";
import { Step_Doer as Doer, Section_Repeat as Repeat } from "../../gen/witnessmark/record/v1/procedure_pb";
import { Role } from "../../gen/witnessmark/v1/access_pb";
import type { CheckProcedureResponse_Problem, ProcedureRevision } from "../../gen/witnessmark/v1/setup_pb";
import { Message, Stripe } from "../../parts/basic";
import { Columns, Field, useAct, useWide } from "../../parts/desk";
import { procedureText, sourceText } from "../../record/expand";
import { go, type Route } from "../../route";
import { moment } from "../../text";
import { type DeskKey, type DeskWords, useDeskWords } from "../../text/lead";
import { sourceIn } from "../../text/say";
import { desk, pages } from "../lead/desk";
import { boundText } from "../lead/detail";
import { timeOf } from "../lead/review";
import { around, diff } from "./diff";
import { hasRole, OfficeFrame } from "./frame";

export function allRevisions(): Promise<ProcedureRevision[]> {
	return pages((pageToken) =>
		desk()
			.setup.listProcedureRevisions({ pageSize: 1000, pageToken })
			.then((p) => ({ items: p.revisions, nextPageToken: p.nextPageToken })),
	);
}

export function Procedures({ route }: { route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const wide = useWide();
	const [list, setList] = useState<ProcedureRevision[] | undefined>();
	const a = useAct();
	const load = () => a.run(async () => setList(await allRevisions()));
	useEffect(() => void load(), []);
	const name = route.query.get("r") ?? "";
	const other = route.query.get("with") ?? "";
	const item = list?.find((r) => r.name === name) ?? (wide && name !== "new" ? list?.[0] : undefined);
	const open = (r: string, compare = "") => {
		const q = new URLSearchParams();
		if (r) q.set("r", r);
		if (compare) q.set("with", compare);
		go(`/office/procedures${q.size > 0 ? `?${q}` : ""}`, name !== "");
	};
	return (
		<OfficeFrame at="procedures">
			<Columns
				label={t("nav.procedures")}
				open={name !== ""}
				list={
					<>
						<h1>{t("nav.procedures")}</h1>
						<Message text={a.failed} />
						{hasRole(Role.OFFICE) && (
							<div class="actions tight">
								<button type="button" onClick={() => open("new")}>
									{t("procedures.add")}
								</button>
							</div>
						)}
						{list?.length === 0 && <p class="why">{t("procedures.none")}</p>}
						<ul class="list">
							{(list ?? []).map((r) => (
								<li key={r.name}>
									<button type="button" class="row" aria-current={r === item ? "true" : undefined} onClick={() => open(r.name)}>
										<span>
											{r.title}
											<small class="num">{`${r.procedure} · ${r.revision} · ${moment(timeOf(r.createTime), w.language)} · ${r.digest.slice(0, 8)}`}</small>
										</span>
										<span class="go" aria-hidden="true">
											›
										</span>
									</button>
								</li>
							))}
						</ul>
					</>
				}
				detail={
					name === "new" && hasRole(Role.OFFICE) ? (
						<Publish
							done={async (r) => {
								await load();
								open(r.name);
							}}
						/>
					) : item ? (
						<Revision
							key={item.name}
							item={item}
							others={(list ?? []).filter((r) => r.procedure === item.procedure && r.name !== item.name)}
							other={other}
							compare={(n) => open(item.name, n)}
						/>
					) : (
						<p class="why">{list ? t("procedures.choose") : t("loading")}</p>
					)
				}
				foot={
					!wide && name ? (
						<button type="button" class="primary" onClick={() => open("")}>
							{t("list")}
						</button>
					) : undefined
				}
			/>
		</OfficeFrame>
	);
}

function Revision({
	item,
	others,
	other,
	compare,
}: {
	item: ProcedureRevision;
	others: ProcedureRevision[];
	other: string;
	compare: (name: string) => void;
}) {
	const w = useDeskWords();
	const { t } = w;
	const [full, setFull] = useState<ProcedureRevision | undefined>();
	const [before, setBefore] = useState<ProcedureRevision | undefined>();
	const a = useAct();
	useEffect(() => void a.run(async () => setFull(await desk().setup.getProcedureRevision({ name: item.name }))), [item.name]);
	useEffect(() => {
		setBefore(undefined);
		if (other) void a.run(async () => setBefore(await desk().setup.getProcedureRevision({ name: other })));
	}, [other]);
	const text = (r: ProcedureRevision) => new TextDecoder().decode(r.document);
	return (
		<>
			<h1>{item.title}</h1>
			<p class="why num">{`${item.procedure} · ${item.revision}`}</p>
			<p class="work">
				SHA-256 <code>{item.digest}</code>
			</p>
			<Message text={a.failed} />
			{others.length > 0 && (
				<Field
					label={t("procedures.compare")}
					value={other}
					set={compare}
					options={[
						{ id: "", title: t("procedures.compare.none") },
						...others.map((r) => ({
							id: r.name,
							title: `${r.revision} · ${moment(timeOf(r.createTime), w.language)} · ${r.digest.slice(0, 8)}`,
						})),
					]}
				/>
			)}
			{full && before ? (
				<Diff left={text(before)} right={text(full)} leftTitle={before.revision} rightTitle={full.revision} />
			) : full?.content ? (
				<Preview p={full.content} />
			) : (
				<p class="why">{t("loading")}</p>
			)}
			{full && (
				<details>
					<summary>{t("procedures.document")}</summary>
					<pre class="raw">{text(full)}</pre>
				</details>
			)}
		</>
	);
}

export function Diff({ left, right, leftTitle, rightTitle }: { left: string; right: string; leftTitle: string; rightTitle: string }) {
	const { t } = useDeskWords();
	const rows = useMemo(() => around(diff(left, right)), [left, right]);
	if (rows.length === 0) return <p>{t("diff.same")}</p>;
	return (
		<div class="diff" role="region" aria-label={t("procedures.compare")} tabIndex={0}>
			<div>
				<b>{leftTitle}</b>
			</div>
			<div>
				<b>{rightTitle}</b>
			</div>
			{rows.flatMap((r, i) =>
				r === undefined
					? [<div key={`l${i}`}>⋯</div>, <div key={`r${i}`}>⋯</div>]
					: [
							<div key={`l${i}`} class={!r.same && r.left !== undefined ? "gone" : ""}>
								{!r.same && r.left !== undefined && <span class="mark">− </span>}
								{r.left}
							</div>,
							<div key={`r${i}`} class={!r.same && r.right !== undefined ? "new" : ""}>
								{!r.same && r.right !== undefined && <span class="mark">+ </span>}
								{r.right}
							</div>,
						],
			)}
		</div>
	);
}

function limitWords(l: Limit | undefined, p: Procedure, w: DeskWords): { bound: string; source: string }[] {
	const b = l?.bound;
	switch (b?.case) {
		case "plain":
			return [{ bound: boundText(b.value, w), source: sourceText(b.value.source) }];
		case "table":
			return b.value.rows.map((r) => ({
				bound: `${r.when.map((m) => `${m.attribute} ${m.anyOf.length > 0 ? m.anyOf.join(", ") : `≠ ${m.noneOf.join(", ")}`}`).join("; ") || w.t("procedures.else")}: ${r.bound ? boundText(r.bound, w) : ""}`,
				source: sourceText(r.bound?.source),
			}));
		case "formula":
			return [
				{
					bound: `${b.value.name} (${Object.entries(b.value.parameters)
						.map(([k, v]) => `${k} ${v}`)
						.join(", ")})`,
					source: sourceText(b.value.source),
				},
			];
		case "shared":
			return limitWords(p.limits[b.value], p, w);
		default:
			return [];
	}
}

/** A procedure as a person reads it: sections, steps, limits with their sources. */
function Preview({ p }: { p: Procedure }) {
	const w = useDeskWords();
	const { t } = w;
	const text = (path: string, english: string) => procedureText(p, w.language, path, english);
	return (
		<>
			<p>{text("description", p.description)}</p>
			{p.cautions.map((c, i) => (
				<p class="care" key={i}>
					{text(`caution/${i}`, c)}
				</p>
			))}
			{p.sections.map((s) => (
				<section key={s.id}>
					<h2>{text(`section/${s.id}/title`, s.title)}</h2>
					<p class="work">
						{[
							t(`repeat.${Repeat[s.repeat]}` as DeskKey),
							s.onStructure ? t("procedures.on-structure") : "",
							s.requires.length > 0
								? t("procedures.requires", {
										list: s.requires.map((r) => text(`section/${r}/title`, p.sections.find((x) => x.id === r)?.title ?? r)).join(", "),
									})
								: "",
							s.qualifications.length > 0
								? t("procedures.needs", { list: s.qualifications.map((q) => w.known("qualification", q)).join(", ") })
								: "",
						]
							.filter((x) => x)
							.join(" · ")}
					</p>
					<ol>
						{s.steps.map((d) => {
							const k = d.kind;
							const l = k.case === "reading" || k.case === "torque" || k.case === "trace" ? k.value.limit : undefined;
							const path = `section/${s.id}/step/${d.id}`;
							return (
								<li key={d.id}>
									<b>{text(`${path}/title`, d.title)}</b>{" "}
									<small class="work">
										{[
											t(`step-kind.${k.case ?? "text"}` as DeskKey),
											d.optional ? t("step.optional") : "",
											d.doer === Doer.LEAD ? t("role.LEAD") : d.doer === Doer.EACH ? t("procedures.each") : "",
										]
											.filter((x) => x)
											.join(" · ")}
									</small>
									<p>{text(`${path}/instruction`, d.instruction)}</p>
									{d.caution && <p class="care">{text(`${path}/caution`, d.caution)}</p>}
									{limitWords(l, p, w).map((x, i) => (
										<p class="work num" key={i}>
											<b>{x.bound}</b>
											{x.source ? `: ${sourceIn(x.source, t as never)}` : ""}
										</p>
									))}
								</li>
							);
						})}
					</ol>
				</section>
			))}
			<p class="work">{t("limit.owner-wins")}</p>
		</>
	);
}

function Publish({ done }: { done: (r: ProcedureRevision) => Promise<void> }) {
	const { t } = useDeskWords();
	const [text, setText] = useState("");
	const [problems, setProblems] = useState<CheckProcedureResponse_Problem[] | undefined>();
	const [content, setContent] = useState<Procedure | undefined>();
	const a = useAct();
	const check = () =>
		a.run(async () => {
			const answer = await desk().setup.checkProcedure({ document: utf8(text) });
			setProblems(answer.problems);
			setContent(answer.content);
		});
	return (
		<>
			<h1>{t("procedures.add")}</h1>
			<p class="why">{t("procedures.add.why")}</p>
			<label>
				{t("procedures.file")}
				<input
					type="file"
					accept=".yaml,.yml,text/yaml"
					onChange={(e) => {
						const f = e.currentTarget.files?.[0];
						if (f && f.size <= 1 << 20)
							void f.text().then((x) => {
								setText(x);
								setProblems(undefined);
							});
					}}
				/>
			</label>
			<Field
				label={t("procedures.document")}
				value={text}
				set={(v) => {
					setText(v);
					setProblems(undefined);
				}}
				rows={16}
				max={1 << 20}
				mono
			/>
			<Message text={a.failed} />
			{problems && problems.length > 0 && (
				<ul class="list">
					{problems.map((p, i) => (
						<li class="row" key={i}>
							<Stripe sign="broken" />
							<span>
								{p.message}
								<small class="num">{t("procedures.at", { line: p.line, column: p.column, path: p.path })}</small>
							</span>
						</li>
					))}
				</ul>
			)}
			{problems?.length === 0 && (
				<div class="find soft-wash">
					<Stripe sign="whole" />
					<span>{t("procedures.good")}</span>
				</div>
			)}
			<div class="actions tight">
				<button type="button" aria-disabled={a.busy} onClick={() => void check()}>
					{t("procedures.check")}
				</button>
				{problems?.length === 0 && (
					<button
						type="button"
						class="strong"
						aria-disabled={a.busy}
						onClick={() => void a.run(async () => done(await desk().setup.publishProcedure({ document: utf8(text) })))}
					>
						{t("procedures.publish")}
					</button>
				)}
			</div>
			{problems?.length === 0 && content && <Preview p={content} />}
		</>
	);
}
