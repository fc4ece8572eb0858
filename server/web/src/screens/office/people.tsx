import { useEffect, useState } from "preact/hooks";
import { Role } from "../../gen/witnessmark/v1/access_pb";
import type { Device, EnrollmentCode } from "../../gen/witnessmark/v1/devices_pb";
import type { Person, Person_Qualification } from "../../gen/witnessmark/v1/people_pb";
import { Message, Row, Stripe } from "../../parts/basic";
import { Ask, Checks, Columns, Field, useAct, useWide } from "../../parts/desk";
import { uuidv7 } from "../../record/uuid";
import { go, type Route } from "../../route";
import { civilDay, languages, moment } from "../../text";
import { type DeskKey, useDeskWords } from "../../text/lead";
import { desk, pages } from "../lead/desk";
import { timeOf } from "../lead/review";
import { hasRole, OfficeFrame } from "./frame";

const ROLES = [Role.CLIMBER, Role.LEAD, Role.AUDITOR, Role.OFFICE] as const;
const KNOWN = ["climbing", "rescue", "first-aid", "rf-awareness", "rigging", "competent-person"];

export function allPeople(): Promise<Person[]> {
	return pages((pageToken) =>
		desk()
			.people.listPeople({ pageSize: 1000, pageToken })
			.then((p) => ({ items: p.people, nextPageToken: p.nextPageToken })),
	);
}

export function People({ route }: { route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const wide = useWide();
	const [people, setPeople] = useState<Person[] | undefined>();
	const a = useAct();
	const load = () => a.run(async () => setPeople(await allPeople()));
	useEffect(() => void load(), []);
	const name = route.query.get("p") ?? "";
	const office = hasRole(Role.OFFICE);
	const today = civilDay(Date.now());
	const person = people?.find((p) => p.name === name) ?? (wide && name !== "new" ? people?.[0] : undefined);
	const open = (p: string) => go(`/office/people${p ? `?p=${encodeURIComponent(p)}` : ""}`, name !== "");
	const ended = (p: Person) => p.qualifications.filter((q) => q.until !== "" && q.until < today);
	return (
		<OfficeFrame at="people">
			<Columns
				label={t("nav.people")}
				open={name !== ""}
				list={
					<>
						<h1>{t("nav.people")}</h1>
						<Message text={a.failed} />
						{office && (
							<div class="actions tight">
								<button type="button" onClick={() => open("new")}>
									{t("people.add")}
								</button>
							</div>
						)}
						<ul class="list">
							{(people ?? []).map((p) => (
								<li key={p.name}>
									<button type="button" class="row" aria-current={p === person ? "true" : undefined} onClick={() => open(p.name)}>
										<Stripe sign={p.disabled ? "broken" : ended(p).length > 0 ? "dashed" : "whole"} />
										<span>
											{p.title}
											<small>
												{[
													p.roles.map((r) => t(`role.${Role[r]}` as DeskKey)).join(", "),
													p.disabled ? t("people.disabled") : "",
													ended(p).length > 0
														? t("people.ended", {
																list: ended(p)
																	.map((q) => w.known("qualification", q.name))
																	.join(", "),
															})
														: "",
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
							))}
						</ul>
					</>
				}
				detail={
					name === "new" && office ? (
						<PersonForm
							key="new"
							person={undefined}
							done={async (p) => {
								await load();
								open(p.name);
							}}
						/>
					) : person ? (
						<>
							{office ? (
								<PersonForm key={person.name + person.etag} person={person} done={() => load().then(() => undefined)} />
							) : (
								<h1>{person.title}</h1>
							)}
							<EnrolCode key={person.name} person={person} />
							<PersonDevices key={`d ${person.name}`} person={person.name} />
						</>
					) : (
						<p class="why">{people ? t("people.choose") : t("loading")}</p>
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

function PersonForm({ person, done }: { person: Person | undefined; done: (p: Person) => Promise<void> }) {
	const w = useDeskWords();
	const { t } = w;
	const [title, setTitle] = useState(person?.title ?? "");
	const [roles, setRoles] = useState<string[]>((person?.roles ?? [Role.CLIMBER]).map(String));
	const [language, setLanguage] = useState(person?.language || "en");
	const [qualifications, setQualifications] = useState<{ name: string; until: string }[]>(
		(person?.qualifications ?? []).map((q: Person_Qualification) => ({ name: q.name, until: q.until })),
	);
	const [disabled, setDisabled] = useState(person?.disabled ?? false);
	const [requestId] = useState(uuidv7);
	const [saved, setSaved] = useState(false);
	const a = useAct();
	const today = civilDay(Date.now());
	const save = () =>
		a.run(async () => {
			setSaved(false);
			const data = {
				name: person?.name ?? "",
				title: title.trim(),
				roles: roles.map(Number),
				language,
				qualifications: qualifications.filter((q) => q.name !== ""),
				disabled,
				etag: person?.etag ?? "",
			};
			const p = person ? await desk().people.updatePerson({ person: data }) : await desk().people.createPerson({ person: data, requestId });
			setSaved(true);
			await done(p);
		});
	return (
		<form
			onSubmit={(e) => {
				e.preventDefault();
				void save();
			}}
		>
			<h1>{person ? person.title : t("people.add")}</h1>
			<Message text={a.failed} />
			<div class="fields">
				<Field label={t("people.name")} value={title} set={setTitle} required />
				<Field label={t("settings.language")} value={language} set={setLanguage} options={languages} />
			</div>
			<Checks
				label={t("people.roles")}
				value={roles}
				set={setRoles}
				options={ROLES.map((r) => ({ id: String(r), title: t(`role.${Role[r]}` as DeskKey), small: t(`role.${Role[r]}.what` as DeskKey) }))}
			/>
			<h2>{t("people.qualifications")}</h2>
			<p class="why">{t("people.qualifications.why")}</p>
			{qualifications.map((q, i) => (
				<div class="fields" key={i}>
					<Field
						label={t("people.qualification")}
						value={q.name}
						set={(v) => setQualifications(qualifications.map((x, k) => (k === i ? { ...x, name: v } : x)))}
						options={[...new Set([...KNOWN, q.name].filter((x) => x !== ""))].map((id) => ({ id, title: w.known("qualification", id) }))}
					/>
					<Field
						label={t("people.until")}
						hint={q.until !== "" && q.until < today ? t("people.is-over") : t("people.until.hint")}
						type="date"
						value={q.until}
						set={(v) => setQualifications(qualifications.map((x, k) => (k === i ? { ...x, until: v } : x)))}
					/>
					<button type="button" onClick={() => setQualifications(qualifications.filter((_, k) => k !== i))}>
						{t("remove", { what: w.known("qualification", q.name) })}
					</button>
				</div>
			))}
			<div class="actions tight">
				<button type="button" onClick={() => setQualifications([...qualifications, { name: "climbing", until: "" }])}>
					{t("people.qualification.add")}
				</button>
			</div>
			{person && (
				<Checks
					label={t("people.sign-in")}
					value={disabled ? ["disabled"] : []}
					set={(v) => setDisabled(v.length > 0)}
					options={[{ id: "disabled", title: t("people.disable"), small: t("people.disable.what") }]}
				/>
			)}
			<div class="actions tight">
				<button type="submit" class="strong" aria-disabled={a.busy}>
					{t("save")}
				</button>
				{saved && <span role="status">{t("saved-there")}</span>}
			</div>
		</form>
	);
}

/** A one-time code with its QR: large, with the code to type. */
export function EnrolCode({ person }: { person: Person }) {
	const w = useDeskWords();
	const { t } = w;
	const [code, setCode] = useState<EnrollmentCode | undefined>();
	const [url, setUrl] = useState("");
	const a = useAct();
	useEffect(() => {
		if (!code || code.qrPng.length === 0) return;
		const u = URL.createObjectURL(new Blob([Uint8Array.from(code.qrPng)], { type: "image/png" }));
		setUrl(u);
		return () => URL.revokeObjectURL(u);
	}, [code]);
	return (
		<section>
			<h2>{t("code.title")}</h2>
			<p class="why">{t("code.why")}</p>
			<Message text={a.failed} />
			{code ? (
				<>
					{url && <img class="qr" src={url} alt={t("code.qr", { name: person.title })} />}
					<p class="typed-code">{code.code}</p>
					<p class="num">{t("code.until", { time: moment(timeOf(code.expireTime), w.language) })}</p>
					<p class="work">
						{t("code.address")} <code>{code.uri}</code>
					</p>
				</>
			) : null}
			<div class="actions tight">
				<button
					type="button"
					aria-disabled={a.busy}
					onClick={() => void a.run(async () => setCode(await desk().devices.createEnrollmentCode({ person: person.name })))}
				>
					{t(code ? "code.another" : "code.make")}
				</button>
			</div>
		</section>
	);
}

function PersonDevices({ person }: { person: string }) {
	const { t } = useDeskWords();
	return (
		<section>
			<h2>{t("nav.devices")}</h2>
			<DeviceList person={person} />
		</section>
	);
}

export function DeviceList({ person }: { person: string }) {
	const w = useDeskWords();
	const { t } = w;
	const [devices, setDevices] = useState<Device[] | undefined>();
	const [revoking, setRevoking] = useState("");
	const a = useAct();
	const load = () =>
		a.run(async () =>
			setDevices(
				await pages((pageToken) =>
					desk()
						.devices.listDevices({ person, pageSize: 1000, pageToken })
						.then((p) => ({ items: p.devices, nextPageToken: p.nextPageToken })),
				),
			),
		);
	useEffect(() => void load(), [person]);
	return (
		<>
			<Message text={a.failed} />
			{devices?.length === 0 && <p class="why">{t("devices.none")}</p>}
			<ul class="list">
				{(devices ?? []).map((d) => (
					<li key={d.name}>
						<div class="row">
							<Stripe sign={d.revokeTime ? "broken" : Number(d.unsentCount) > 0 ? "dashed" : "whole"} />
							<span>
								{d.title || d.name}
								<small class="num">
									{[
										person ? "" : w.person(d.person),
										d.lastSeenTime ? t("devices.seen", { time: moment(timeOf(d.lastSeenTime), w.language) }) : t("devices.never"),
										Number(d.unsentCount) > 0 ? t("devices.unsent", { n: Number(d.unsentCount) }) : "",
										d.keyIds[0] ? t("lines.key", { key: d.keyIds[0] }) : "",
										d.revokeTime ? t("devices.revoked", { time: moment(timeOf(d.revokeTime), w.language) }) : "",
									]
										.filter((x) => x)
										.join(" · ")}
								</small>
							</span>
							{!d.revokeTime && revoking !== d.name && (
								<button type="button" class="danger" onClick={() => setRevoking(d.name)}>
									{t("devices.revoke")}
								</button>
							)}
						</div>
						{revoking === d.name && (
							<Ask
								danger
								title={t("devices.revoke.why")}
								label={t("devices.revoke")}
								cancel={() => setRevoking("")}
								act={async (reason) => {
									await desk().devices.revokeDevice({ name: d.name, reason });
									setRevoking("");
									await load();
								}}
							/>
						)}
					</li>
				))}
			</ul>
		</>
	);
}

export function Devices({ route: _ }: { route: Route }) {
	const { t } = useDeskWords();
	return (
		<OfficeFrame at="devices">
			<div class="col body">
				<h1>{t("nav.devices")}</h1>
				<p class="why">{t("devices.why")}</p>
				<DeviceList person="" />
				<ul class="list">
					<Row title={t("devices.new")} small={t("devices.new.how")} act={() => go("/office/people")} />
				</ul>
			</div>
		</OfficeFrame>
	);
}
