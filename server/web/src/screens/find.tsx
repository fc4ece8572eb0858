import { useEffect, useRef, useState } from "preact/hooks";
import { StepState as S } from "../gen/witnessmark/record/v1/line_pb";
import type { Plan_Connection as Connection } from "../gen/witnessmark/record/v1/plan_pb";
import { Choices, Message, Primary, Row, Screen, Second, type Sign } from "../parts/basic";
import { ROW, Windowed } from "../parts/windowed";
import { useWords } from "../parts/words";
import { isDone, wants } from "../record/fold";
import { go, jobPath, type Route } from "../route";
import { JobWhere, type LoadedJob, WithJob } from "./frame";
import { nextStep, stepPath } from "./job";

interface Found {
	connection: Connection;
	line: string;
	open: number;
	all: number;
	bad: boolean;
	text: string;
}

const plain = (s: string) => s.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();

/** Connections with how far they are, and the text that the search looks in: label, line, place, attributes. */
export function connectionsOf(j: LoadedJob): Found[] {
	const lines = new Map(j.state.plan.lines.map((l) => [l.id, l]));
	const of = new Map<string, { open: number; all: number; bad: boolean }>();
	for (const s of j.state.steps) {
		if (!s.step.connection || !s.step.required) continue;
		const c = of.get(s.step.scopeId) ?? { open: 0, all: 0, bad: false };
		c.all++;
		if (!isDone(s.state) && wants(s)) c.open++;
		if (s.state === S.OUT_OF_LIMITS) c.bad = true;
		of.set(s.step.scopeId, c);
	}
	return j.state.plan.connections.map((c) => {
		const line = lines.get(c.line);
		return {
			connection: c,
			line: line?.title || c.line,
			...(of.get(c.id) ?? { open: 0, all: 0, bad: false }),
			text: plain(
				[c.id, c.title, c.position, c.interface, c.sector, line?.title ?? "", line?.band ?? "", ...Object.values(c.attributes)].join(" "),
			),
		};
	});
}

/** Every word of the query stands somewhere in the text. */
export function search(all: readonly Found[], query: string, sector: string): Found[] {
	const words = plain(query)
		.split(/\s+/)
		.filter((w) => w);
	return all.filter((f) => (sector === "" || f.connection.sector === sector) && words.every((w) => f.text.includes(w)));
}

interface Detector {
	detect(source: HTMLVideoElement): Promise<{ rawValue: string }[]>;
}

/** Find a connection by sector, by what its label says, or by scanning the label where the phone can. */
export function Find({ route }: { route: Route }) {
	const w = useWords();
	const { t } = w;
	const name = route.params.job!;
	const [query, setQuery] = useState("");
	const [sector, setSector] = useState("");
	const [scanning, setScanning] = useState(false);
	const [failed, setFailed] = useState("");
	const canScan = "BarcodeDetector" in globalThis && "mediaDevices" in navigator;
	return (
		<WithJob name={name}>
			{(j) => {
				const all = connectionsOf(j);
				const sectors = [...new Set(all.map((f) => f.connection.sector).filter((s) => s))];
				const found = search(all, query, sector);
				const first = found.find((f) => f.open > 0) ?? found[0];
				const open = (c: Connection) => {
					const next = nextStep(j, c.id);
					// Straight to its next step; a connection without one shows its list.
					if (next && next.step.scopeId === c.id) go(stepPath(name, next.step.id));
					else {
						const own = j.state.steps.find((s) => s.step.scopeId === c.id && wants(s));
						go(own ? stepPath(name, own.step.id) : jobPath(name, "list", { place: c.id }));
					}
				};
				return (
					<Screen
						where={<JobWhere j={j} />}
						foot={
							<>
								<Second label={t("back")} act={() => go(jobPath(name), true)} />
								{first ? (
									<Primary
										label={t("find.first", { title: first.connection.title || first.connection.id })}
										small={t("find.open", { n: first.open })}
										act={() => open(first.connection)}
									/>
								) : null}
							</>
						}
					>
						<label>
							{t("find.title")}
							<input
								type="search"
								placeholder={t("find.type")}
								value={query}
								autocomplete="off"
								spellcheck={false}
								onInput={(e) => setQuery(e.currentTarget.value)}
							/>
						</label>
						<Message text={failed} />
						{sectors.length > 1 && sectors.length <= 12 && (
							<Choices
								label={t("find.sector")}
								value={sector}
								pick={setSector}
								options={[{ id: "", title: t("find.all") }, ...sectors.map((s) => ({ id: s, title: s }))]}
							/>
						)}
						{canScan &&
							(scanning ? (
								<Scan
									done={(text) => {
										setScanning(false);
										if (text) setQuery(text);
									}}
									fail={(why) => {
										setScanning(false);
										setFailed(t("error", { why }));
									}}
								/>
							) : (
								<button type="button" onClick={() => setScanning(true)}>
									{t("find.scan")}
								</button>
							))}
						<p class="work num" role="status">
							{found.length === 0 ? t("find.none") : t("find.count", { n: found.length, all: all.length })}
						</p>
						<Windowed
							items={found}
							height={ROW}
							render={(f) => {
								const sign: Sign = f.bad ? "broken" : f.open > 0 ? "hollow" : "whole";
								const c = f.connection;
								const words = [
									c.interface,
									f.line,
									c.position,
									f.all > 0 ? t("job.section", { done: f.all - f.open, all: f.all }) : "",
									t(f.bad ? "state.out" : f.open > 0 ? "state.open" : "state.complete"),
								];
								return (
									<Row key={c.id} sign={sign} title={c.title || c.id} small={words.filter((x) => x).join(" · ")} act={() => open(c)} />
								);
							}}
						/>
					</Screen>
				);
			}}
		</WithJob>
	);
}

/** The phone's own reader of codes, where it has one. */
function Scan({ done, fail }: { done: (text: string) => void; fail: (why: string) => void }) {
	const video = useRef<HTMLVideoElement>(null);
	useEffect(() => {
		let stream: MediaStream | undefined;
		let stopped = false;
		const run = async () => {
			stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
			if (!video.current || stopped) return;
			video.current.srcObject = stream;
			await video.current.play();
			const Maker = (globalThis as unknown as { BarcodeDetector: new () => Detector }).BarcodeDetector;
			const detector = new Maker();
			while (!stopped && video.current) {
				const codes = await detector.detect(video.current);
				if (codes[0]) return done(codes[0].rawValue);
				await new Promise((r) => setTimeout(r, 200));
			}
		};
		run().catch((error: unknown) => !stopped && fail(error instanceof Error ? error.message : String(error)));
		return () => {
			stopped = true;
			for (const track of stream?.getTracks() ?? []) track.stop();
		};
	}, []);
	return <video class="scan" ref={video} muted playsInline />;
}
