// The steps by line and connection, each with verdict, value and limit.

import { useMemo, useState } from "preact/hooks";
import { Stripe } from "../../parts/basic";
import { Columns, useKeys, useWide } from "../../parts/desk";
import { Windowed } from "../../parts/windowed";
import { go, type Route } from "../../route";
import { useDeskWords } from "../../text/lead";
import { boundText, Photos, placeTitle, StepDetail, sectionTitle, standing, stepName, stepTitle, valueText } from "./detail";
import { FILTERS, filterSteps, isFilter, sample, searchSteps } from "./filter";
import { reviewPath } from "./look";
import type { Review, StepOf } from "./review";

type Line = { head: string; key: string } | { step: StepOf };

export function Steps({ r, route }: { r: Review; route: Route }) {
	const w = useDeskWords();
	const { t } = w;
	const asked = route.query.get("filter") ?? "all";
	const filter = isFilter(asked) ? asked : "all";
	const seed = Number(route.query.get("seed") ?? "");
	const [text, setText] = useState("");
	const id = route.query.get("step") ?? "";
	const wide = useWide();
	const path = (q: Record<string, string | undefined>) =>
		reviewPath(r.name, "steps", { filter: filter === "all" ? undefined : filter, seed: seed ? String(seed) : undefined, ...q });
	const shown = useMemo(() => {
		const f = filterSteps(r.steps, filter, r.view!);
		const s = searchSteps(f, text, (x) => `${placeTitle(x)} ${stepTitle(r, x, w.language)} ${sectionTitle(r, x.view.section, w.language)}`);
		return seed ? sample(s, 10, seed) : s;
	}, [r.steps, r.view, filter, text, seed, w.language]);
	const rows = useMemo(() => {
		const out: Line[] = [];
		let last = "";
		for (const s of shown) {
			const head = [placeTitle(s), s.connection?.interface ?? "", sectionTitle(r, s.view.section, w.language)].filter((x) => x).join(" · ");
			if (head !== last) out.push({ head, key: s.view.id });
			last = head;
			out.push({ step: s });
		}
		return out;
	}, [shown, w.language]);
	const s = id ? r.byId.get(id) : wide ? shown[0] : undefined;
	const at = shown.findIndex((x) => x.view.id === s?.view.id);
	const to = (n: number) => {
		const x = shown[(at + n + shown.length) % Math.max(1, shown.length)];
		if (x) go(path({ step: x.view.id }), id !== "");
	};
	useKeys({ n: () => to(1), ArrowDown: () => to(1), p: () => to(-1), ArrowUp: () => to(-1) });
	const list = (
		<>
			<h1>{t("tab.steps")}</h1>
			<label>
				{t("steps.find")}
				<input type="search" value={text} onInput={(e) => setText(e.currentTarget.value)} />
			</label>
			<label>
				{t("steps.filter")}
				<select value={filter} onChange={(e) => go(path({ filter: e.currentTarget.value, step: undefined }), true)}>
					{FILTERS.map((f) => (
						<option key={f} value={f} selected={f === filter}>
							{t(`filter.${f}`)}
						</option>
					))}
				</select>
			</label>
			<div class="actions tight">
				{seed ? (
					<button type="button" onClick={() => go(path({ seed: undefined, step: undefined }), true)}>
						{t("sample.off")}
					</button>
				) : (
					<button
						type="button"
						onClick={() =>
							go(path({ seed: String(1 + (crypto.getRandomValues(new Uint32Array(1))[0]! % 1_000_000)), step: undefined }), true)
						}
					>
						{t("sample.on")}
					</button>
				)}
			</div>
			<p class="why num" role="status">
				{seed ? t("sample.seed", { n: shown.length, seed: String(seed) }) : t("steps.count", { n: shown.length, all: r.steps.length })}
			</p>
			<Windowed
				items={rows}
				height={64}
				render={(x) =>
					"head" in x ? (
						<li key={`head ${x.key}`} class="head">
							{x.head}
						</li>
					) : (
						<StepLine
							key={x.step.view.id}
							r={r}
							s={x.step}
							current={x.step.view.id === s?.view.id}
							act={() => go(path({ step: x.step.view.id }), id !== "")}
						/>
					)
				}
			/>
		</>
	);
	const photos = s
		? (r.view?.photos ?? []).filter((p) => p.step !== s.view.id && s.view.scope && r.byId.get(p.step)?.view.scope === s.view.scope)
		: [];
	return (
		<Columns
			label={t("tab.steps")}
			list={list}
			open={id !== ""}
			detail={s ? <StepDetail r={r} s={s} /> : <p class="why">{t("steps.choose")}</p>}
			aside={photos.length > 0 ? <Around r={r} s={s!} photos={photos} /> : undefined}
			foot={
				s && (
					<>
						{!wide && (
							<button type="button" class="second" onClick={() => go(path({ step: undefined }), true)}>
								{t("list")}
							</button>
						)}
						<button type="button" class="second" onClick={() => to(-1)}>
							{t("previous")}
						</button>
						<button type="button" class="primary" onClick={() => to(1)}>
							{t("next")}
							<small>{shown.length > 1 ? stepName(r, shown[(at + 1) % shown.length]!.view.id, w.language) : ""}</small>
						</button>
					</>
				)
			}
		/>
	);
}

function Around({ r, s, photos }: { r: Review; s: StepOf; photos: NonNullable<Review["view"]>["photos"] }) {
	const { t } = useDeskWords();
	return (
		<>
			<h2>{t("photos.around", { place: placeTitle(s) })}</h2>
			<Photos r={r} photos={photos} />
		</>
	);
}

export function StepLine({ r, s, act, current }: { r: Review; s: StepOf; act: () => void; current?: boolean }) {
	const w = useDeskWords();
	const { sign, key } = standing(s.view);
	const limit = s.view.limit ? boundText(s.view.limit, w) : "";
	const value = valueText(s, w);
	return (
		<li>
			<button type="button" class="row" aria-current={current ? "true" : undefined} onClick={act}>
				<Stripe sign={sign} />
				<span>
					{stepTitle(r, s, w.language)}
					<small class="num">
						{[
							w.t(key).toLowerCase(),
							value.length < 60 ? value : "",
							limit ? w.t("limit", { bound: limit }) : "",
							s.view.required ? "" : w.t("step.optional"),
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
}
