import type { ComponentChildren } from "preact";
import { Role } from "../../gen/witnessmark/v1/access_pb";
import { DeskScreen } from "../../parts/desk";
import { go } from "../../route";
import { phone, usePhone } from "../../store/phone";
import { type DeskKey, useDeskWords } from "../../text/lead";

interface Part {
	id: string;
	key: DeskKey;
	path: string;
	roles: readonly Role[];
}

const parts: readonly Part[] = [
	{ id: "jobs", key: "nav.jobs", path: "/desk", roles: [Role.LEAD, Role.AUDITOR, Role.OFFICE] },
	{ id: "people", key: "nav.people", path: "/office/people", roles: [Role.OFFICE, Role.LEAD] },
	{ id: "devices", key: "nav.devices", path: "/office/devices", roles: [Role.OFFICE, Role.LEAD] },
	{ id: "instruments", key: "nav.instruments", path: "/office/instruments", roles: [Role.OFFICE, Role.LEAD, Role.AUDITOR] },
	{ id: "sites", key: "nav.sites", path: "/office/sites", roles: [Role.OFFICE, Role.LEAD, Role.AUDITOR] },
	{ id: "procedures", key: "nav.procedures", path: "/office/procedures", roles: [Role.OFFICE, Role.LEAD, Role.AUDITOR] },
	{ id: "access", key: "nav.access", path: "/office/access", roles: [Role.OFFICE, Role.AUDITOR] },
	{ id: "custody", key: "nav.custody", path: "/office/custody", roles: [Role.OFFICE, Role.AUDITOR] },
	{ id: "organization", key: "nav.organization", path: "/office/organization", roles: [Role.OFFICE] },
];

export function hasRole(...roles: Role[]): boolean {
	return (phone.state.person?.roles ?? []).some((r) => roles.includes(r));
}

/** The desk's frame: what there is at the left, the page beside it. */
export function OfficeFrame({ at, children }: { at: string; children: ComponentChildren }) {
	const { t } = useDeskWords();
	const { person } = usePhone();
	const mine = parts.filter((p) => hasRole(...p.roles));
	const buttons = (
		<>
			{mine.map((p) => (
				<button type="button" key={p.id} aria-current={p.id === at ? "page" : undefined} onClick={() => go(p.path)}>
					{t(p.key)}
				</button>
			))}
			{hasRole(Role.CLIMBER, Role.LEAD) && (
				<button type="button" onClick={() => go("/")}>
					{t("nav.mine")}
				</button>
			)}
			<button type="button" onClick={() => go("/settings")}>
				{t("settings.title")}
			</button>
		</>
	);
	const here = mine.find((p) => p.id === at);
	return (
		<DeskScreen title={t("app")} place={person?.title} home="/desk">
			<details class="menu" key={at}>
				<summary>{here ? t("nav.menu", { here: t(here.key) }) : t("nav.menu.all")}</summary>
				<nav aria-label={t("nav.label")}>{buttons}</nav>
			</details>
			<div class="frame">
				<div class="side">
					<nav aria-label={t("nav.label")}>{buttons}</nav>
				</div>
				{children}
			</div>
		</DeskScreen>
	);
}
