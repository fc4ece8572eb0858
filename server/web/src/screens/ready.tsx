import { useEffect, useState } from "preact/hooks";
import { Primary, Row, Screen, Second, type Sign } from "../parts/basic";
import { useWords } from "../parts/words";
import { go, jobPath, type Route } from "../route";
import { jumped, offset } from "../store/clock";
import { keep } from "../store/database";
import { phone } from "../store/phone";
import { hour, size, span } from "../text";
import { forgets, installed } from "./enrol";
import { JobWhere, type LoadedJob, WithJob } from "./frame";

/** Taken as the size of one photo before any was made. */
const PHOTO = 4 << 20;
/** More than asked: pictures are taken again. */
const RESERVE = 1.5;

export interface Check {
	id: "persist" | "room" | "clock" | "key" | "screens" | "job" | "installed";
	sign: Sign;
	title: string;
	detail: string;
	/** Without it a job is not begun. */
	must: boolean;
}

/** Photos that the job still wants. */
export function photosLeft(j: LoadedJob): number {
	let n = 0;
	for (const s of j.state.steps) {
		if (s.step.def.kind.case !== "photo") continue;
		for (const subject of s.step.def.kind.value.subjects) {
			const have = s.entries.filter(
				(e) => !e.withdrawn && e.entry.kind.case === "photoAttached" && e.entry.kind.value.subject === subject.id,
			).length;
			n += Math.max(0, Math.max(1, subject.count) - have);
		}
	}
	return n;
}

/** The bytes that so many photos need, with reserve. */
export function roomFor(photos: number, one = PHOTO): number {
	return Math.ceil(photos * one * RESERVE);
}

async function checks(j: LoadedJob, w: ReturnType<typeof useWords>): Promise<Check[]> {
	const { t, language } = w;
	const out: Check[] = [];
	let persisted = await navigator.storage?.persisted?.();
	if (!persisted) persisted = await navigator.storage?.persist?.();
	await keep("persisted", persisted === true);
	out.push({
		id: "persist",
		sign: persisted ? "whole" : "dashed",
		title: t(persisted ? "ready.persist.ok" : "ready.persist.no"),
		detail: "",
		must: false,
	});

	const n = photosLeft(j);
	const known = j.files.filter((f) => f.purpose === "photo").map((f) => f.size);
	const need = roomFor(n, known.length > 0 ? Math.max(...known) : PHOTO);
	const estimate = await navigator.storage?.estimate?.();
	if (estimate?.quota === undefined) {
		out.push({ id: "room", sign: "dashed", title: t("ready.room.unknown"), detail: "", must: false });
	} else {
		const free = estimate.quota - (estimate.usage ?? 0);
		const ok = free >= need;
		out.push({
			id: "room",
			sign: ok ? "whole" : "broken",
			title: t(ok ? "ready.room.ok" : "ready.room.no"),
			detail: t("ready.room.detail", { n, need: size(need, language), free: size(free, language) }),
			must: !ok,
		});
	}

	const off = offset();
	const big = off !== undefined && (Math.abs(off) > 120_000 || jumped() !== 0);
	out.push({
		id: "clock",
		sign: off === undefined ? "hollow" : big ? "dashed" : "whole",
		title: off === undefined ? t("ready.clock.none") : big ? t("ready.clock.off", { offset: span(-off, language) }) : t("ready.clock.ok"),
		detail:
			off === undefined
				? ""
				: t("ready.clock.detail", { offset: span(-off, language), time: hour(phone.lastContact() ?? Date.now(), language, j.zone) }),
		must: false,
	});

	const key = await phone.key();
	const good = key?.persistent === true;
	out.push({
		id: "key",
		sign: good ? "whole" : "dashed",
		title: t(good ? "ready.key.ok" : "ready.key.no"),
		detail: key?.id ?? "",
		must: false,
	});

	const screens = await screensKept();
	out.push({
		id: "screens",
		sign: screens === "all" ? "whole" : "broken",
		title: t(screens === "none" ? "ready.screens.no" : screens === "uncontrolled" ? "ready.screens.wait" : "ready.screens.ok"),
		detail: "",
		must: screens === "none",
	});

	const complete = phone.state.people.size > 0 && phone.state.instruments.size > 0 && j.view.procedure !== undefined;
	out.push({
		id: "job",
		sign: complete ? "whole" : "broken",
		title: t(complete ? "ready.job.ok" : "ready.job.no"),
		detail: t("job.as-of", { time: hour(j.asOf, language, j.zone) }),
		must: !complete,
	});

	const home = installed();
	const must = !home && forgets();
	out.push({
		id: "installed",
		sign: home ? "whole" : must ? "broken" : "dashed",
		title: t(home ? "ready.installed.ok" : must ? "ready.installed.must" : "ready.installed.no"),
		detail: home ? "" : t("enrol.install.how"),
		must,
	});
	return out;
}

/** Is every file of the client kept, and does the worker answer for this page? */
async function screensKept(): Promise<"all" | "uncontrolled" | "none"> {
	if (!("serviceWorker" in navigator)) return "none";
	const registration = await navigator.serviceWorker.getRegistration();
	if (!registration?.active) return "none";
	const cache = (await caches.keys()).find((n) => n.startsWith("client-"));
	if (!cache || !(await (await caches.open(cache)).match("/"))) return "none";
	return navigator.serviceWorker.controller ? "all" : "uncontrolled";
}

/** What this phone needs before it leaves coverage. */
export function Ready({ route }: { route: Route }) {
	const w = useWords();
	const { t } = w;
	const name = route.params.job!;
	const [list, setList] = useState<Check[] | undefined>();
	const [round, setRound] = useState(0);
	return (
		<WithJob name={name}>
			{(j) => {
				const bad = list?.some((c) => c.sign === "broken" || c.sign === "hollow");
				const must = list?.some((c) => c.must);
				const home = jobPath(name);
				return (
					<Screen
						where={<JobWhere j={j} />}
						foot={
							!list || must ? (
								<>
									<Second label={t("back")} act={() => go("/", true)} />
									<Primary label={t("ready.must")} act={() => setRound((n) => n + 1)} />
								</>
							) : bad ? (
								<>
									<Second label={t("ready.again")} act={() => setRound((n) => n + 1)} />
									<Primary label={t("ready.no")} small={t("ready.no.small")} act={() => go(home, true)} />
								</>
							) : (
								<Primary label={t("ready.yes")} small={t("ready.yes.small")} act={() => go(home, true)} />
							)
						}
					>
						<h1>{t("ready.title")}</h1>
						<p class="why">{t("ready.why")}</p>
						<Run key={round} j={j} set={setList} />
						<ul class="list">
							{(list ?? []).map((c) => (
								<Row key={c.id} sign={c.sign} title={c.title} small={c.detail || undefined} />
							))}
						</ul>
						<p>{t("ready.brightness")}</p>
					</Screen>
				);
			}}
		</WithJob>
	);
}

function Run({ j, set }: { j: LoadedJob; set: (c: Check[]) => void }) {
	const w = useWords();
	useEffect(() => {
		void checks(j, w).then(set);
	}, [j.job.name]);
	return null;
}
