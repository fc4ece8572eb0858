// Sites and instruments.

import { useEffect, useState } from "preact/hooks";
import { Measure_Unit as U } from "../../gen/witnessmark/record/v1/measure_pb";
import { Role } from "../../gen/witnessmark/v1/access_pb";
import type { Instrument, Site } from "../../gen/witnessmark/v1/setup_pb";
import { Message, Stripe } from "../../parts/basic";
import { Checks, Columns, Field, useAct, useWide } from "../../parts/desk";
import { measure, trimmed } from "../../record/number";
import { symbol } from "../../record/units";
import { uuidv7 } from "../../record/uuid";
import { go, type Route } from "../../route";
import { civilDay, date } from "../../text";
import { type DeskWords, useDeskWords } from "../../text/lead";
import { desk, pages } from "../lead/desk";
import { hasRole, OfficeFrame } from "./frame";

/** A number as a person of either language types it; undefined when it is none. */
export function typedNumber(text: string): number | undefined {
	const s = text
		.trim()
		.replace(/[\u2212\u2013]/g, "-")
		.replace(",", ".");
	if (!/^[+-]?\d+(\.\d+)?$/.test(s)) return undefined;
	return Number(s);
}

export function allSites(): Promise<Site[]> {
	return pages((pageToken) =>
		desk()
			.setup.listSites({ pageSize: 1000, pageToken })
			.then((p) => ({ items: p.sites, nextPageToken: p.nextPageToken })),
	);
}

function zones(): string[] {
	const of = (Intl as unknown as { supportedValuesOf?: (k: string) => string[] }).supportedValuesOf;
	return of ? of("timeZone") : ["UTC", "Europe/Madrid", "America/New_York", "America/Chicago", "America/Denver", "America/Los_Angeles"];
}

export function Sites({ route }: { route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const wide = useWide();
	const [sites, setSites] = useState<Site[] | undefined>();
	const a = useAct();
	const load = () => a.run(async () => setSites(await allSites()));
	useEffect(() => void load(), []);
	const name = route.query.get("s") ?? "";
	const office = hasRole(Role.OFFICE);
	const site = sites?.find((s) => s.name === name) ?? (wide && name !== "new" ? sites?.[0] : undefined);
	const open = (s: string) => go(`/office/sites${s ? `?s=${encodeURIComponent(s)}` : ""}`, name !== "");
	return (
		<OfficeFrame at="sites">
			<Columns
				label={t("nav.sites")}
				open={name !== ""}
				list={
					<>
						<h1>{t("nav.sites")}</h1>
						<Message text={a.failed} />
						{office && (
							<div class="actions tight">
								<button type="button" onClick={() => open("new")}>
									{t("sites.add")}
								</button>
							</div>
						)}
						{sites?.length === 0 && <p class="why">{t("sites.none")}</p>}
						<ul class="list">
							{(sites ?? []).map((s) => (
								<li key={s.name}>
									<button type="button" class="row" aria-current={s === site ? "true" : undefined} onClick={() => open(s.name)}>
										<span>
											{s.title}
											<small class="num">{`${s.zone} · ${place(s, w)}`}</small>
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
					(name === "new" && office) || site ? (
						office ? (
							<SiteForm
								key={name === "new" ? "new" : site!.name + site!.etag}
								site={name === "new" ? undefined : site}
								done={async (s) => {
									await load();
									open(s.name);
								}}
							/>
						) : (
							<>
								<h1>{site!.title}</h1>
								<p class="num">{`${site!.zone} · ${place(site!, w)}`}</p>
								<p>{site!.notes}</p>
							</>
						)
					) : (
						<p class="why">{sites ? t("sites.choose") : t("loading")}</p>
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

const place = (s: Site, w: DeskWords) =>
	s.position ? `${trimmed(s.position.latitude, w.sep)}, ${trimmed(s.position.longitude, w.sep)}` : "";

function SiteForm({ site, done }: { site: Site | undefined; done: (s: Site) => Promise<void> }) {
	const { t } = useDeskWords();
	const [title, setTitle] = useState(site?.title ?? "");
	const [zone, setZone] = useState(site?.zone ?? Intl.DateTimeFormat().resolvedOptions().timeZone);
	const [latitude, setLatitude] = useState(site?.position ? String(site.position.latitude) : "");
	const [longitude, setLongitude] = useState(site?.position ? String(site.position.longitude) : "");
	const [notes, setNotes] = useState(site?.notes ?? "");
	const [requestId] = useState(uuidv7);
	const [saved, setSaved] = useState(false);
	const a = useAct();
	const save = () =>
		a.run(async () => {
			setSaved(false);
			const lat = typedNumber(latitude);
			const lon = typedNumber(longitude);
			if (lat === undefined || Math.abs(lat) > 90) throw new Error(t("sites.latitude.bad"));
			if (lon === undefined || Math.abs(lon) > 180) throw new Error(t("sites.longitude.bad"));
			const data = {
				name: site?.name ?? "",
				title: title.trim(),
				zone: zone.trim(),
				position: { latitude: lat, longitude: lon },
				notes,
				etag: site?.etag ?? "",
			};
			const s = site ? await desk().setup.updateSite({ site: data }) : await desk().setup.createSite({ site: data, requestId });
			setSaved(true);
			await done(s);
		});
	return (
		<form
			onSubmit={(e) => {
				e.preventDefault();
				void save();
			}}
		>
			<h1>{site ? site.title : t("sites.add")}</h1>
			<Message text={a.failed} />
			<div class="fields">
				<Field label={t("sites.title")} value={title} set={setTitle} required />
				<Field
					label={t("sites.zone")}
					value={zone}
					set={setZone}
					options={[...new Set([zone, ...zones()])].map((z) => ({ id: z, title: z }))}
				/>
				<Field label={t("sites.latitude")} hint={t("sites.latitude.hint")} value={latitude} set={setLatitude} required />
				<Field label={t("sites.longitude")} hint={t("sites.longitude.hint")} value={longitude} set={setLongitude} required />
			</div>
			<Field label={t("sites.notes")} value={notes} set={setNotes} rows={4} max={4000} />
			{site && <p class="work">{t("sites.keep")}</p>}
			<div class="actions tight">
				<button type="submit" class="strong" aria-disabled={a.busy}>
					{t("save")}
				</button>
				{saved && <span role="status">{t("saved-there")}</span>}
			</div>
		</form>
	);
}

const KINDS = [
	"torque-wrench",
	"intermodulation-analyser",
	"intermodulation-source",
	"low-intermodulation-load",
	"test-cable",
	"sweep-analyser",
	"light-source",
	"power-meter",
	"microscope",
	"anemometer",
	"other",
];

/** How an instrument stands today. Equal to the last day is still in date. */
export function calibration(
	i: Pick<Instrument, "calibratedUntil" | "retired">,
	today: string,
): "retired" | "unknown" | "over" | "soon" | "good" {
	if (i.retired) return "retired";
	if (i.calibratedUntil === "") return "unknown";
	if (i.calibratedUntil < today) return "over";
	const left = (Date.parse(`${i.calibratedUntil}T00:00:00Z`) - Date.parse(`${today}T00:00:00Z`)) / 86_400_000;
	return left <= 30 ? "soon" : "good";
}

const signs = { retired: "broken", unknown: "hollow", over: "broken", soon: "dashed", good: "whole" } as const;

export function Instruments({ route }: { route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const wide = useWide();
	const [list, setList] = useState<Instrument[] | undefined>();
	const a = useAct();
	const load = () =>
		a.run(async () =>
			setList(
				await pages((pageToken) =>
					desk()
						.setup.listInstruments({ pageSize: 1000, pageToken })
						.then((p) => ({ items: p.instruments, nextPageToken: p.nextPageToken })),
				),
			),
		);
	useEffect(() => void load(), []);
	const name = route.query.get("i") ?? "";
	const office = hasRole(Role.OFFICE);
	const today = civilDay(Date.now());
	const rank = { over: 0, unknown: 1, soon: 2, good: 3, retired: 4 };
	const sorted = [...(list ?? [])].sort(
		(x, y) => rank[calibration(x, today)] - rank[calibration(y, today)] || x.title.localeCompare(y.title),
	);
	const item = sorted.find((i) => i.name === name) ?? (wide && name !== "new" ? sorted[0] : undefined);
	const open = (i: string) => go(`/office/instruments${i ? `?i=${encodeURIComponent(i)}` : ""}`, name !== "");
	return (
		<OfficeFrame at="instruments">
			<Columns
				label={t("nav.instruments")}
				open={name !== ""}
				list={
					<>
						<h1>{t("nav.instruments")}</h1>
						<Message text={a.failed} />
						{office && (
							<div class="actions tight">
								<button type="button" onClick={() => open("new")}>
									{t("instruments.add")}
								</button>
							</div>
						)}
						<ul class="list">
							{sorted.map((i) => {
								const c = calibration(i, today);
								return (
									<li key={i.name}>
										<button type="button" class="row" aria-current={i === item ? "true" : undefined} onClick={() => open(i.name)}>
											<Stripe sign={signs[c]} />
											<span>
												{i.title}
												<small class="num">
													{[
														w.known("instrument", i.kind),
														i.serial,
														t(`instruments.${c}`, { day: i.calibratedUntil ? date(i.calibratedUntil, w.language) : "" }),
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
								);
							})}
						</ul>
					</>
				}
				detail={
					(name === "new" && office) || item ? (
						office ? (
							<InstrumentForm
								key={name === "new" ? "new" : item!.name + item!.etag}
								item={name === "new" ? undefined : item}
								done={async (i) => {
									await load();
									open(i.name);
								}}
							/>
						) : (
							<InstrumentFacts i={item!} today={today} />
						)
					) : (
						<p class="why">{list ? t("instruments.choose") : t("loading")}</p>
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

function InstrumentFacts({ i, today }: { i: Instrument; today: string }) {
	const w = useDeskWords();
	const { t } = w;
	const m = (x: { value: number; unit: U } | undefined) => (x ? measure(x.value, x.unit, w.sep) : "");
	return (
		<>
			<h1>{i.title}</h1>
			<table class="facts num">
				<tbody>
					{(
						[
							[t("instruments.kind"), w.known("instrument", i.kind)],
							[t("instruments.serial"), i.serial],
							[
								t("instruments.until"),
								t(`instruments.${calibration(i, today)}`, { day: i.calibratedUntil ? date(i.calibratedUntil, w.language) : "" }),
							],
							[t("instruments.class"), i.toolClass],
							[t("instruments.range"), [m(i.minimum), m(i.maximum)].filter((x) => x).join(" – ")],
							[t("instruments.remark"), i.remark],
						] as const
					)
						.filter(([, v]) => v)
						.map(([k, v]) => (
							<tr key={k}>
								<th>{k}</th>
								<td>{v}</td>
							</tr>
						))}
				</tbody>
			</table>
		</>
	);
}

const RANGE_UNITS = [
	U.UNIT_UNSPECIFIED,
	U.NEWTON_METERS,
	U.FOOT_POUNDS,
	U.DECIBELS,
	U.DECIBELS_CARRIER,
	U.DECIBEL_MILLIWATTS,
	U.METERS_PER_SECOND,
	U.MEGAHERTZ,
];

function InstrumentForm({ item, done }: { item: Instrument | undefined; done: (i: Instrument) => Promise<void> }) {
	const w = useDeskWords();
	const { t } = w;
	const of = (m: { value: number } | undefined) => (m ? trimmed(m.value, w.sep) : "");
	const [kind, setKind] = useState(item?.kind ?? "torque-wrench");
	const [title, setTitle] = useState(item?.title ?? "");
	const [serial, setSerial] = useState(item?.serial ?? "");
	const [until, setUntil] = useState(item?.calibratedUntil ?? "");
	const [on, setOn] = useState(item?.calibratedOn ?? "");
	const [toolClass, setToolClass] = useState(item?.toolClass ?? "");
	const [unit, setUnit] = useState(String(item?.minimum?.unit ?? item?.maximum?.unit ?? item?.preset?.unit ?? U.UNIT_UNSPECIFIED));
	const [minimum, setMinimum] = useState(of(item?.minimum));
	const [maximum, setMaximum] = useState(of(item?.maximum));
	const [preset, setPreset] = useState(of(item?.preset));
	const [directivity, setDirectivity] = useState(item?.directivityDb === undefined ? "" : trimmed(item.directivityDb, w.sep));
	const [uncertainty, setUncertainty] = useState(item?.expandedUncertainty === undefined ? "" : trimmed(item.expandedUncertainty, w.sep));
	const [retired, setRetired] = useState(item?.retired ?? false);
	const [remark, setRemark] = useState(item?.remark ?? "");
	const [requestId] = useState(uuidv7);
	const [saved, setSaved] = useState(false);
	const a = useAct();
	const save = () =>
		a.run(async () => {
			setSaved(false);
			const number = (label: string, text: string) => {
				if (text.trim() === "") return undefined;
				const n = typedNumber(text);
				if (n === undefined) throw new Error(t("not-a-number", { label }));
				return n;
			};
			const range = (label: string, text: string) => {
				const value = number(label, text);
				if (value === undefined) return undefined;
				if (Number(unit) === U.UNIT_UNSPECIFIED) throw new Error(t("instruments.unit.missing"));
				return { value, unit: Number(unit) as U, typed: "" };
			};
			const data = {
				name: item?.name ?? "",
				kind,
				title: title.trim(),
				serial: serial.trim(),
				calibratedUntil: until,
				calibratedOn: on,
				toolClass: toolClass.trim(),
				minimum: range(t("instruments.minimum"), minimum),
				maximum: range(t("instruments.maximum"), maximum),
				preset: range(t("instruments.preset"), preset),
				directivityDb: number(t("instruments.directivity"), directivity),
				expandedUncertainty: number(t("instruments.uncertainty"), uncertainty),
				retired,
				remark,
				etag: item?.etag ?? "",
			};
			const i = item
				? await desk().setup.updateInstrument({ instrument: data })
				: await desk().setup.createInstrument({ instrument: data, requestId });
			setSaved(true);
			await done(i);
		});
	return (
		<form
			onSubmit={(e) => {
				e.preventDefault();
				void save();
			}}
		>
			<h1>{item ? item.title : t("instruments.add")}</h1>
			<Message text={a.failed} />
			<div class="fields">
				<Field label={t("instruments.title")} value={title} set={setTitle} required />
				<Field
					label={t("instruments.kind")}
					value={kind}
					set={setKind}
					options={[...new Set([...KINDS, kind])].map((k) => ({ id: k, title: w.known("instrument", k) }))}
				/>
				<Field label={t("instruments.serial")} value={serial} set={setSerial} max={100} />
				<Field label={t("instruments.on")} type="date" value={on} set={setOn} />
				<Field label={t("instruments.until")} hint={t("instruments.until.hint")} type="date" value={until} set={setUntil} />
				<Field label={t("instruments.class")} hint={t("instruments.class.hint")} value={toolClass} set={setToolClass} max={16} />
				<Field
					label={t("instruments.unit")}
					value={unit}
					set={setUnit}
					options={RANGE_UNITS.map((u) => ({ id: String(u), title: u === 0 ? "–" : symbol(u) }))}
				/>
				<Field label={t("instruments.minimum")} value={minimum} set={setMinimum} />
				<Field label={t("instruments.maximum")} value={maximum} set={setMaximum} />
				<Field label={t("instruments.preset")} hint={t("instruments.preset.hint")} value={preset} set={setPreset} />
				<Field label={t("instruments.directivity")} hint="dB" value={directivity} set={setDirectivity} />
				<Field label={t("instruments.uncertainty")} hint={t("instruments.uncertainty.hint")} value={uncertainty} set={setUncertainty} />
			</div>
			<Field label={t("instruments.remark")} value={remark} set={setRemark} rows={2} max={1000} />
			{item && (
				<Checks
					label={t("instruments.use")}
					value={retired ? ["retired"] : []}
					set={(v) => setRetired(v.length > 0)}
					options={[{ id: "retired", title: t("instruments.retire") }]}
				/>
			)}
			{item && <p class="work">{t("instruments.change")}</p>}
			<div class="actions tight">
				<button type="submit" class="strong" aria-disabled={a.busy}>
					{t("save")}
				</button>
				{saved && <span role="status">{t("saved-there")}</span>}
			</div>
		</form>
	);
}
