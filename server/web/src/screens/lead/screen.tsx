import { useEffect } from "preact/hooks";
import { Job_State as JobStateName } from "../../gen/witnessmark/v1/jobs_pb";
import { Message, why } from "../../parts/basic";
import { DeskScreen, type Tab } from "../../parts/desk";
import type { Route } from "../../route";
import { phone, usePhone } from "../../store/phone";
import { hour } from "../../text";
import { type DeskKey, useDeskWords } from "../../text/lead";
import type { Desk } from "./desk";
import { isLead, Look, reviewPath, useSeen } from "./look";
import { Evidence, Lines, More, PhotoWall } from "./pages";
import { queue } from "./queue";
import { type Review, useReview } from "./review";
import { SignOff } from "./signoff";
import { Steps } from "./steps";

export const stateWords: Readonly<Record<number, DeskKey>> = {
	[JobStateName.STATE_UNSPECIFIED]: "unknown",
	[JobStateName.OPEN]: "jobs.open",
	[JobStateName.FINISHED]: "jobs.finished",
	[JobStateName.LOCKED]: "jobs.locked",
	[JobStateName.ENDED]: "jobs.ended",
};

/** A job for who leads it, reads it or set it up. */
export function ReviewScreen({ route }: { route: Route }) {
	return <ReviewOf key={route.params.job} route={route} name={route.params.job!} home="/desk" />;
}

export function ReviewOf({ route, name, home, desk }: { route: Route; name: string; home: string; desk?: Desk }) {
	const w = useDeskWords();
	const { t } = w;
	usePhone();
	const r = useReview(name, desk);
	const seen = useSeen(r);
	useEffect(() => {
		document.title = r.job ? `${r.job.title} · Witnessmark` : "Witnessmark";
	}, [r.job?.title]);
	if (!r.view) {
		return (
			<DeskScreen title={t("app")} home={home}>
				<div class="col body">
					{r.failed ? <Message text={t("error", { why: why(r.failed, t as never) })} /> : <p class="why">{t("loading")}</p>}
				</div>
			</DeskScreen>
		);
	}
	const lead = isLead() && !r.desk.shared;
	const items = queue(
		r.view,
		r.steps.map((s) => s.view),
		phone.state.person?.name ?? "",
		lead,
	);
	const open = items.filter((i) => !i.done && !seen.seen.has(i.key)).length;
	const asked = route.query.get("view") ?? "";
	const path = (view: string) => reviewPath(name, view);
	const tabs: Tab[] = [
		{ id: "look", title: open > 0 ? t("tab.look.n", { n: open }) : t("tab.look"), path: path("look") },
		{ id: "steps", title: t("tab.steps"), path: path("steps") },
		{ id: "photos", title: t("tab.photos"), path: path("photos") },
		{ id: "lines", title: t("tab.lines"), path: path("lines") },
		...(lead && !r.closed ? [{ id: "sign", title: t("tab.sign"), path: path("sign") }] : []),
		{ id: "evidence", title: t("tab.evidence"), path: path("evidence") },
		...(r.desk.shared ? [] : [{ id: "more", title: t("tab.more"), path: path("more") }]),
	];
	const first = r.closed || !lead ? (r.closed ? "evidence" : "look") : "look";
	const tab = tabs.some((x) => x.id === asked) || asked === "sign" ? asked : first;
	return (
		<DeskScreen
			title={r.job?.siteTitle || r.job?.title || name}
			place={`${r.job?.title ?? ""} · ${t(stateWords[r.job?.state ?? 0] ?? "unknown")}`}
			home={home}
			end={<LinkState r={r} />}
			tabs={tabs}
			tab={tab}
			tabsLabel={t("tabs.label")}
			hold={
				r.view.stopped && !r.closed ? (
					<div class="hold" role="status">
						{t("hold.stopped")}
						<small>{t("hold.resume")}</small>
					</div>
				) : undefined
			}
			message={r.job?.contradicted ? <p class="care contradicted">{t("evidence.contradicted")}</p> : undefined}
		>
			{tab === "steps" ? (
				<Steps r={r} route={route} />
			) : tab === "photos" ? (
				<PhotoWall r={r} />
			) : tab === "lines" ? (
				<Lines r={r} route={route} />
			) : tab === "sign" ? (
				<SignOff r={r} seen={seen} />
			) : tab === "evidence" ? (
				<Evidence r={r} />
			) : tab === "more" ? (
				<More r={r} />
			) : (
				<Look r={r} route={route} seen={seen} />
			)}
		</DeskScreen>
	);
}

/** Does news come by itself, and of when is the picture? */
function LinkState({ r }: { r: Review }) {
	const w = useDeskWords();
	const time = r.contact ? hour(r.contact, w.language) : "";
	const key: DeskKey =
		r.desk.shared || r.closed ? "link.read-only" : r.link === "live" ? "link.live" : r.link === "lost" ? "link.lost" : "link.asking";
	return (
		<span class="link-state num" role="status">
			<b>{w.t(key)}</b> {time && w.t("link.as-of", { time })}
		</span>
	);
}
