import { useEffect, useRef, useState } from "preact/hooks";
import { Message, Primary, Row, Screen, Second, Where, why } from "../parts/basic";
import { useWords } from "../parts/words";
import { go, type Route } from "../route";
import { database, type StoredEntry, type StoredFile } from "../store/database";
import { fileBytes } from "../store/files";
import { entriesIn, exportUnsent } from "../store/outbox";
import { phone, usePhone } from "../store/phone";
import { hour, moment, size } from "../text";
import { kindKey } from "./step";

/** All unsent work as a file: shared where the phone can, else downloaded. */
export async function saveFile(): Promise<void> {
	const lines = await exportUnsent(fileBytes);
	const name = `witnessmark-unsent-${new Date().toISOString().slice(0, 16).replace(/[:T]/g, "-")}.jsonl`;
	const file = new File(lines, name, { type: "application/x-ndjson" });
	if (navigator.canShare?.({ files: [file] }) && matchMedia("(pointer: coarse)").matches) {
		try {
			await navigator.share({ files: [file] });
			return;
		} catch (error) {
			if (error instanceof DOMException && error.name === "AbortError") return; // the person changed his mind
		}
	}
	const url = URL.createObjectURL(file);
	const a = document.createElement("a");
	a.href = url;
	a.download = name;
	a.click();
	setTimeout(() => URL.revokeObjectURL(url), 60_000);
}

/** What stands only on this phone, why, and what can be done about it. */
export function UnsentScreen({ route: _ }: { route: Route }) {
	const { t, language } = useWords();
	const { unsent, progress, session } = usePhone();
	const input = useRef<HTMLInputElement>(null);
	const [failed, setFailed] = useState("");
	const [said, setSaid] = useState("");
	const [lists, setLists] = useState<{ here: StoredEntry[]; refused: StoredEntry[]; files: StoredFile[] }>({
		here: [],
		refused: [],
		files: [],
	});
	useEffect(() => {
		let gone = false;
		void (async () => {
			const db = await database();
			const files = [
				...(await db.getAllFromIndex("files", "state", "here")),
				...(await db.getAllFromIndex("files", "state", "refused")),
			].filter((f) => f.entry !== "");
			const next = { here: await entriesIn("here"), refused: await entriesIn("refused"), files };
			if (!gone) setLists(next);
		})().catch((error: unknown) => setFailed(t("error", { why: why(error, t) })));
		return () => {
			gone = true;
		};
	}, [unsent]);

	const contact = phone.lastContact();
	const n = unsent.entries + unsent.files;
	const signedOut = session?.over || progress.phase === "signed-out";
	const run = async (work: () => Promise<void>) => {
		setFailed("");
		try {
			await work();
		} catch (error) {
			setFailed(t("error", { why: why(error, t) }));
		}
	};
	const bringIn = (file: File) =>
		run(async () => {
			try {
				const got = await phone.bringIn(await file.text());
				setSaid(t("unsent.imported", got));
			} catch (error) {
				setFailed(t("unsent.import.bad", { why: why(error, t) }));
			}
		});
	return (
		<Screen
			where={<Where title={t("app")} />}
			foot={
				<>
					<Second label={t("back")} act={() => (history.length > 1 ? history.back() : go("/", true))} />
					{signedOut ? (
						<Primary label={t("unsent.sign-in")} act={() => go("/enrol", true)} />
					) : n > 0 ? (
						<Primary label={t("unsent.now")} act={() => phone.engine.kick()} />
					) : (
						<Primary label={t("home")} act={() => go("/", true)} />
					)}
				</>
			}
		>
			<h1>{n + unsent.refused > 0 ? t("unsent.title") : t("unsent.none")}</h1>
			<Message text={failed} />
			{said && <p class="care">{said}</p>}
			<p class="why num">
				{t("unsent.entries", { n: unsent.entries })} · {t("unsent.files", { n: unsent.files })}
				<br />
				{contact ? t("unsent.contact", { time: hour(contact, language) }) : t("unsent.never")}
			</p>
			<div role="status">
				{signedOut ? (
					<p class="care">{t("unsent.signed-out")}</p>
				) : progress.phase === "sending" && progress.size > 0 ? (
					<>
						<p class="num">{t("unsent.sending", { sent: size(progress.sent, language), size: size(progress.size, language) })}</p>
						<div class="bar">
							<i style={{ width: `${(100 * progress.sent) / progress.size}%` }} />
						</div>
					</>
				) : progress.phase === "waiting" && progress.why ? (
					<p>{t("unsent.waiting", { why: progress.why })}</p>
				) : n > 0 ? (
					<p>{t("unsent.open")}</p>
				) : null}
			</div>
			{lists.refused.length > 0 && (
				<>
					<h2>{t("unsent.refused")}</h2>
					<ul class="list">
						{lists.refused.map((e) => (
							<Row
								key={e.id}
								sign="broken"
								title={`${t(kindKey(e.kind))} · ${e.step || e.job}`}
								small={`${e.reason}: ${e.sentence} · ${t(e.keptAside ? "unsent.refused.aside" : "unsent.refused.here")}`}
							/>
						))}
					</ul>
				</>
			)}
			<ul class="list">
				{lists.here.map((e) => (
					<Row
						key={e.id}
						sign="hollow"
						title={`${t(kindKey(e.kind))} · ${e.step || e.job}`}
						small={[moment(e.made, language), e.sentence].filter((x) => x).join(" · ")}
					/>
				))}
				{lists.files.map((f) => (
					<Row
						key={f.digest}
						sign={f.state === "refused" ? "broken" : "hollow"}
						title={`${t(f.purpose === "trace" ? "kind.traceAttached" : "kind.photoAttached")} · ${f.step}`}
						small={[
							size(f.size, language),
							f.offset > 0 ? t("unsent.sending", { sent: size(f.offset, language), size: size(f.size, language) }) : "",
							f.sentence,
						]
							.filter((x) => x)
							.join(" · ")}
					/>
				))}
			</ul>
			{n + unsent.refused > 0 && (
				<button type="button" class="wide" onClick={() => void run(saveFile)}>
					<span>
						{t("unsent.export")}
						<small>{t("unsent.export.small")}</small>
					</span>
				</button>
			)}
			<button type="button" class="wide plain" onClick={() => input.current?.click()}>
				<span>
					{t("unsent.import")}
					<small>{t("unsent.import.small")}</small>
				</span>
			</button>
			<input
				ref={input}
				class="hidden-input"
				type="file"
				accept=".jsonl,.json,application/json,application/x-ndjson,text/plain"
				tabIndex={-1}
				aria-hidden="true"
				onChange={(e) => {
					const file = e.currentTarget.files?.[0];
					e.currentTarget.value = "";
					if (file) void bringIn(file);
				}}
			/>
		</Screen>
	);
}
