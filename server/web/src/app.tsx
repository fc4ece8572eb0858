import type { ComponentType } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { Role } from "./gen/witnessmark/v1/access_pb";
import { Primary, Screen, Where } from "./parts/basic";
import { useWords } from "./parts/words";
import { go, jobPath, type Route, useRoute } from "./route";
import { climber } from "./screens/climber";
import { Enrol } from "./screens/enrol";
import { phone, usePhone } from "./store/phone";

export type ScreenOf = ComponentType<{ route: Route }>;

/**
 * The screens by the name of their route. The climber's stand in the first
 * load; others (lead, auditor, office) register a loader, so that a climber's
 * phone never waits for them.
 */
const screens: Record<string, ScreenOf> = { ...climber };
const loaders: Record<string, () => Promise<ScreenOf>> = {};

const desk = () => import("./screens/office");
for (const name of [
	"desk",
	"review",
	"office/people",
	"office/devices",
	"office/instruments",
	"office/sites",
	"office/procedures",
	"office/access",
	"office/custody",
	"office/organization",
	"office/new-job",
] as const)
	loaders[name] = () => desk().then((m) => m.deskScreens[name]);

/** Adds screens that are loaded when they are first opened. */
export function addScreens(more: Record<string, () => Promise<ScreenOf>>): void {
	Object.assign(loaders, more);
}

export function App() {
	const route = useRoute();
	const { ready, session, person, settings, keeps, recordsOn } = usePhone();
	useEffect(() => {
		const root = document.documentElement;
		root.dataset.theme = settings.theme;
		root.dataset.hand = settings.hand;
		root.lang = settings.language;
		document.querySelector('meta[name="theme-color"]')?.setAttribute("content", settings.theme === "night" ? "#12171b" : "#fbfaf6");
	}, [settings]);
	useComeBack(ready);
	const link = useRef({ code: "", path: "", token: "" });
	if (!ready) return <Loading />;
	const secret = new URLSearchParams(location.hash.slice(1)).get("share") ?? "";
	if (secret || route.name === "shared" || (route.name === "review" && sharedHere())) return <Link route={route} secret={secret} />;
	// The code leaves the address at once; it holds until it has brought another session, or the person goes elsewhere.
	const token = session?.token ?? "";
	const given = enrolCode(route);
	if (given) link.current = { code: given, path: location.pathname, token };
	const code = link.current.path === location.pathname && link.current.token === token ? link.current.code : "";
	const over = session?.over && (!recordsOn || route.name === "enrol");
	if (!session || over || code || keeps === false) {
		// What is on the phone can be seen and saved without a session too.
		if (session && !code && route.name === "unsent") return <climber.unsent route={route} />;
		return <Enrol code={code} />;
	}
	// Who neither climbs nor leads, and a desk without a key, begin at the desk.
	const works = person?.roles.some((r) => r === Role.CLIMBER || r === Role.LEAD) && session.device !== "";
	const at = route.name === "jobs" && !works ? { ...route, name: "desk" } : route;
	// The desk's screens keep their lists while what is open in them changes.
	return <Named key={`${at.name} ${at.params.job ?? ""} ${loaders[at.name] ? "" : at.query}`} route={at} />;
}

/** This tab was opened with a share link. */
function sharedHere(): boolean {
	return sessionStorage.getItem("share") !== null;
}

/** A share link: one job, read-only, without a session of one's own. */
function Link({ route, secret }: { route: Route; secret: string }) {
	const [Shared, set] = useState<ComponentType<{ route: Route; secret: string }> | undefined>();
	const [failed, setFailed] = useState(false);
	useEffect(() => {
		desk().then(
			(m) => set(() => m.Shared),
			() => setFailed(true),
		);
	}, []);
	return Shared ? <Shared route={route} secret={secret} /> : failed ? <Lost /> : <Loading />;
}

/** A code in the fragment: "#enrol=ABCD-EFGH", "#code=ABCD-EFGH", or the code alone. It never reaches the server's log. */
function enrolCode(route: Route): string {
	const fragment = location.hash.slice(1);
	const words = new URLSearchParams(fragment);
	const named = words.get("enrol") ?? words.get("code");
	if (named) return named;
	return (route.name === "jobs" || route.name === "enrol") && /^[A-Za-z0-9-]{4,128}$/.test(fragment) ? fragment : "";
}

function Named({ route }: { route: Route }) {
	const [late, setLate] = useState<ScreenOf | undefined>();
	const [failed, setFailed] = useState(false);
	const here = screens[route.name];
	const loader = loaders[route.name];
	useEffect(() => {
		if (!here && loader)
			loader().then(
				(s) => setLate(() => s),
				() => setFailed(true),
			);
	}, [here, loader]);
	if (here) {
		const Here = here;
		return <Here route={route} />;
	}
	if (late) {
		const Late = late;
		return <Late route={route} />;
	}
	return loader && !failed ? <Loading /> : <Lost />;
}

function Loading() {
	const { t } = useWords();
	return <p class="boot">{t("loading")}</p>;
}

function Lost() {
	const { t } = useWords();
	return (
		<Screen where={<Where title={t("app")} />} foot={<Primary label={t("home")} act={() => go("/", true)} />}>
			<h1>{t("lost")}</h1>
		</Screen>
	);
}

/** After the system ended the page while the camera was open: back to the same step. */
function useComeBack(ready: boolean): void {
	useEffect(() => {
		if (!ready) return;
		void phone.photoExpected().then((p) => {
			if (p && Date.now() - p.since < 12 * 3600_000 && location.pathname === "/") go(jobPath(p.job, "step", { step: p.step }), true);
		});
	}, [ready]);
}
