// Sign-off: what stands between, then name, time, meaning and the set's short
// hash, and a hold of one second. The root is computed here; where it differs
// from the server's, nothing is signed.

import { useEffect, useState } from "preact/hooks";
import { hex } from "../../bytes";
import { SignedOff_Meaning as Meaning } from "../../gen/witnessmark/record/v1/entry_pb";
import { Message, Stripe, why } from "../../parts/basic";
import { Ask, Field, RingHold, useAct } from "../../parts/desk";
import { go } from "../../route";
import { serverNow } from "../../store/clock";
import { phone, usePhone } from "../../store/phone";
import { reasonOf } from "../../sync/outcome";
import { moment } from "../../text";
import { useDeskWords } from "../../text/lead";
import { stepName } from "./detail";
import { isLead, reviewPath, type useSeen } from "./look";
import { type Review, readLine, shortRoot } from "./review";
import { endJob, meaningOf, ownWork, type Sealed, type Signed, signOff } from "./sign";

export function SignOff({ r, seen }: { r: Review; seen: ReturnType<typeof useSeen> }) {
	const w = useDeskWords();
	const { t } = w;
	const { person } = usePhone();
	const [code, setCode] = useState("");
	const [moved, setMoved] = useState(0);
	const [done, setDone] = useState<Sealed | undefined>();
	const [failed, setFailed] = useState("");
	const [, tick] = useState(0);
	const a = useAct();
	useEffect(() => {
		const timer = setInterval(() => tick((n) => n + 1), 20_000);
		return () => clearInterval(timer);
	}, []);
	// What was looked at and not yet said goes first: it is part of what is signed.
	const unsaid = [...seen.seen].filter((id) => r.view?.exceptions.some((x) => x.id === id)).length;
	const view = r.view!;
	const me = person?.name ?? "";
	const settings = phone.organizationSettings;
	const own = ownWork(r, me);
	const waiver = own.length > 0 ? (settings?.fourEyesWaiver ?? "") : "";
	const blockers = view.blockers.filter(
		(b) => !(unsaid > 0 && b.reason === "EXCEPTIONS_NOT_LOOKED_AT" && b.subjects.every((s) => seen.seen.has(s))),
	);

	const answer = (s: Signed, sizeBefore: number) => {
		setFailed("");
		if ("done" in s) setDone(s.done);
		else if ("moved" in s) setMoved(sizeBefore);
		else setFailed(refusal(s.error, t));
	};
	const sign = async () => {
		const size = r.lines.length;
		answer(await signOff(r, code, waiver), size);
	};

	if (done || r.closed) return <Sealing r={r} done={done} />;
	if (!isLead())
		return (
			<div class="col body">
				<h1>{t("sign.title")}</h1>
				<p>{t("sign.lead-only")}</p>
			</div>
		);
	return (
		<div class="col body">
			<h1>{t("sign.title")}</h1>
			<Message text={failed || a.failed} />
			{r.agrees === false && (
				<p class="message" role="alert">
					{t("sign.differs", { here: shortRoot(r.root), there: shortRoot(view.head?.root) })}
				</p>
			)}
			{unsaid > 0 && (
				<div class="find">
					<Stripe sign="dashed" />
					<span>
						{t("sign.unsaid", { n: unsaid })}
						<div class="actions tight">
							<button type="button" class="strong" onClick={() => void a.run(seen.flush)}>
								{t("look.say", { n: unsaid })}
							</button>
						</div>
					</span>
				</div>
			)}
			{moved > 0 && <Moved r={r} after={moved} />}
			{blockers.length > 0 ? (
				<>
					<h2>{t("sign.between")}</h2>
					<ul class="list">
						{blockers.map((b, i) => (
							<li key={b.reason + i} class="row">
								<Stripe sign={b.reason === "FOUR_EYES" ? "broken" : "hollow"} />
								<span>
									{w.known("blocker", b.reason)}
									<small class="num">{b.sentence}</small>
									{b.reason === "FOUR_EYES" && <small>{t("sign.four-eyes")}</small>}
									{(b.reason === "STEPS_OPEN" || b.reason === "FOUR_EYES") && (
										<small>
											{b.subjects
												.slice(0, 5)
												.map((s) => stepName(r, s, w.language))
												.join("; ")}
											{b.subjects.length > 5 ? " …" : ""}
										</small>
									)}
								</span>
							</li>
						))}
					</ul>
					<div class="actions">
						<button type="button" class="strong" onClick={() => go(reviewPath(r.name, "look"), true)}>
							{t("sign.to-look")}
						</button>
					</div>
				</>
			) : (
				unsaid === 0 &&
				r.agrees && (
					<>
						<table class="signature facts num">
							<tbody>
								<tr>
									<th>{t("sign.name")}</th>
									<td>{t("sign.as-lead", { name: person?.title ?? "" })}</td>
								</tr>
								<tr>
									<th>{t("sign.time")}</th>
									<td>
										{moment(serverNow(), w.language, r.job?.zone)} ({r.job?.zone})
									</td>
								</tr>
								<tr>
									<th>{t("sign.meaning")}</th>
									<td>
										<b>{t(meaningOf(r) === Meaning.APPROVED ? "sign.approved" : "sign.approved-with", { n: view.exceptions.length })}</b>
									</td>
								</tr>
								<tr>
									<th>{t("sign.set")}</th>
									<td>
										{t("sign.lines", { n: r.lines.length, photos: view.photos.length })}
										<br />
										<code>{shortRoot(r.root, 8)}</code> <small>{t("sign.computed")}</small>
									</td>
								</tr>
								{own.length > 0 && (
									<tr>
										<th>{t("sign.waiver")}</th>
										<td>{waiver}</td>
									</tr>
								)}
							</tbody>
						</table>
						{person?.hasCode && (
							<Field
								label={t("sign.code")}
								hint={t("sign.code.hint")}
								value={code}
								set={(v) => setCode(v.replace(/\D/g, "").slice(0, 12))}
								type="password"
								max={12}
							/>
						)}
						<p class="care">{t("sign.locks")}</p>
						<RingHold label={t("sign.hold")} small={t("sign.hold.small")} act={sign} />
					</>
				)
			)}
			<End r={r} code={code} setCode={setCode} answer={answer} />
		</div>
	);
}

function refusal(error: unknown, t: ReturnType<typeof useDeskWords>["t"]): string {
	const reason = reasonOf(error);
	if (reason === "CODE_MISSING" || reason === "CODE_WRONG") return t(reason === "CODE_WRONG" ? "sign.code.wrong" : "sign.code.missing");
	return t("error", { why: why(error, t as never) });
}

/** Lines came between looking and signing: they are shown, and one more hold suffices. */
function Moved({ r, after }: { r: Review; after: number }) {
	const w = useDeskWords();
	const lines = r.lines.slice(after, after + 50);
	return (
		<div class="find" role="alert">
			<Stripe sign="dashed" />
			<div>
				<b>{w.t("sign.moved", { n: r.lines.length - after })}</b>
				<ul>
					{lines.map((l) => {
						let text = "";
						try {
							const x = readLine(l);
							text = `${w.known("kind", x.kind)}${x.step ? ` · ${stepName(r, x.step, w.language)}` : ""}`;
						} catch {
							text = w.t("kind.other"); // a form that this client does not know: it is counted in the root all the same
						}
						return (
							<li key={l.seq} class="num">
								{w.t("entry.line", { n: l.seq })}: {text}
							</li>
						);
					})}
				</ul>
			</div>
		</div>
	);
}

function Sealing({ r, done }: { r: Review; done: Sealed | undefined }) {
	const { t } = useDeskWords();
	const root = done?.head?.root ? hex(done.head.root) : (r.job?.finalRoot ?? "");
	return (
		<div class="col body">
			<div class="verdict" role="status">
				<Stripe sign={r.agrees === false ? "broken" : "whole"} />
				<div>
					<strong>{t(r.agrees === false ? "sealed.differs" : r.job?.state === 4 ? "sealed.ended" : "sealed.title").toUpperCase()}</strong>
					<p class="num">{t("sealed.what", { n: r.lines.length, photos: r.view?.photos.length ?? 0 })}</p>
				</div>
			</div>
			<table class="facts num">
				<tbody>
					<tr>
						<th>{t("sealed.root")}</th>
						<td>
							<code>{root.match(/.{4}/g)?.join(" ")}</code>
						</td>
					</tr>
					{done && (
						<tr>
							<th>{t("sealed.log")}</th>
							<td>{t("sealed.leaf", { n: Number(done.logIndex) })}</td>
						</tr>
					)}
				</tbody>
			</table>
			{done?.checkpoint && (
				<details>
					<summary>{t("evidence.checkpoint")}</summary>
					<pre class="raw">{done.checkpoint}</pre>
				</details>
			)}
			<div class="actions">
				<button type="button" class="strong" onClick={() => go(reviewPath(r.name, "evidence"), true)}>
					{t("sealed.evidence")}
				</button>
			</div>
		</div>
	);
}

/** The job ends unfinished: sealed like a lock, with a reason. */
function End({
	r,
	code,
	setCode,
	answer,
}: {
	r: Review;
	code: string;
	setCode: (c: string) => void;
	answer: (s: Signed, size: number) => void;
}) {
	const { t } = useDeskWords();
	const { person } = usePhone();
	const [open, setOpen] = useState(false);
	const [reason, setReason] = useState("");
	if (!open)
		return (
			<details>
				<summary>{t("end.title")}</summary>
				<div>
					<p class="work">{t("end.why")}</p>
					<Ask
						title={t("end.reason")}
						label={t("continue")}
						danger
						cancel={() => undefined}
						act={async (why) => {
							setReason(why);
							setOpen(true);
						}}
					/>
				</div>
			</details>
		);
	return (
		<div>
			<h2>{t("end.title")}</h2>
			<p>{reason}</p>
			{person?.hasCode && (
				<Field label={t("sign.code")} value={code} set={(v) => setCode(v.replace(/\D/g, "").slice(0, 12))} type="password" max={12} />
			)}
			<RingHold
				danger
				label={t("end.hold")}
				small={t("sign.hold.small")}
				act={async () => {
					const size = r.lines.length;
					answer(await endJob(r, code, reason), size);
				}}
			/>
			<div class="actions tight">
				<button type="button" onClick={() => setOpen(false)}>
					{t("cancel")}
				</button>
			</div>
		</div>
	);
}
