// The parts of the wide screens: columns, keys, forms, pictures, the ring that is held.

import type { ComponentChildren, RefObject } from "preact";
import { useEffect, useId, useRef, useState } from "preact/hooks";
import { go } from "../route";
import { type Desk, filePath, getFile } from "../screens/lead/desk";
import { usePhone } from "../store/phone";
import { useDeskWords } from "../text/lead";
import { why } from "./basic";
import "./desk.css";

export const WIDE = 900;

/** Is the window wide enough for columns? */
export function useWide(): boolean {
	const [wide, set] = useState(() => innerWidth >= WIDE);
	useEffect(() => {
		const look = () => set(innerWidth >= WIDE);
		addEventListener("resize", look);
		return () => removeEventListener("resize", look);
	}, []);
	return wide;
}

export interface Tab {
	id: string;
	title: string;
	path: string;
}

/** A whole desk screen: where, tabs, hold, then columns or one body. */
export function DeskScreen(props: {
	title: string;
	place?: string | undefined;
	home: string;
	end?: ComponentChildren;
	tabs?: readonly Tab[];
	tab?: string;
	tabsLabel?: string;
	hold?: ComponentChildren;
	message?: ComponentChildren;
	children: ComponentChildren;
}) {
	const { t } = useDeskWords();
	const { unsent, session, progress } = usePhone();
	const n = unsent.entries + unsent.files + unsent.refused;
	const main = useRef<HTMLElement>(null);
	useEffect(() => {
		main.current?.focus({ preventScroll: true });
	}, []);
	return (
		<div class="screen desk">
			<header class="where">
				<button type="button" class="place" onClick={() => go(props.home)}>
					<span>
						<b>{props.title}</b>
						{props.place ? ` · ${props.place}` : ""}
					</span>
				</button>
				{props.end}
				{session && n > 0 && (
					<button type="button" class="only num held" onClick={() => go("/unsent")} aria-label={t("only", { n })}>
						{t("only.short", { n })}
						{progress.phase === "sending" ? " ↑" : ""}
					</button>
				)}
			</header>
			{props.tabs && props.tabs.length > 1 && (
				<nav class="tabs" aria-label={props.tabsLabel ?? props.title}>
					{props.tabs.map((x) => (
						<button type="button" key={x.id} aria-current={x.id === props.tab ? "page" : undefined} onClick={() => go(x.path, true)}>
							{x.title}
						</button>
					))}
				</nav>
			)}
			{props.hold}
			{props.message}
			<main class="desk-main" ref={main} tabIndex={-1}>
				{props.children}
			</main>
		</div>
	);
}

/** List left, detail right, a third part below or at the far right. On a narrow screen one of the first two. */
export function Columns({
	list,
	detail,
	aside,
	open,
	foot,
	label,
}: {
	list: ComponentChildren;
	detail?: ComponentChildren;
	aside?: ComponentChildren;
	/** On a narrow screen: the detail instead of the list. */
	open: boolean;
	foot?: ComponentChildren;
	label: string;
}) {
	const wide = useWide();
	const at = useRef<HTMLDivElement>(null);
	return (
		<div class={`cols${aside ? " three" : ""}`}>
			{(wide || !open) && (
				<section class="col body list-col" aria-label={label}>
					{list}
				</section>
			)}
			{(wide || open) && detail !== undefined && (
				<div class="detail">
					<div class="col body" ref={at}>
						{detail}
						{aside && <div class="aside-below">{aside}</div>}
					</div>
					{foot && <div class="foot">{foot}</div>}
				</div>
			)}
			{aside && wide && <div class="col body aside">{aside}</div>}
		</div>
	);
}

/** Keys that act when nobody types: "n" for the next. */
export function useKeys(keys: Readonly<Record<string, (() => void) | undefined>>): void {
	const now = useRef(keys);
	now.current = keys;
	useEffect(() => {
		const down = (e: KeyboardEvent) => {
			if (e.altKey || e.ctrlKey || e.metaKey || e.defaultPrevented) return;
			const at = e.target as HTMLElement | null;
			if (at?.closest("input, textarea, select, dialog")) return;
			const act = now.current[e.key];
			if (!act) return;
			e.preventDefault();
			act();
		};
		addEventListener("keydown", down);
		return () => removeEventListener("keydown", down);
	}, []);
}

/** Held for a second while a ring grows: for a signature. Works with the keyboard by holding Enter or the space bar. */
export function RingHold({ label, small, act, danger }: { label: string; small?: string; act: () => Promise<void>; danger?: boolean }) {
	const [held, setHeld] = useState(false);
	const [busy, setBusy] = useState(false);
	const timer = useRef<ReturnType<typeof setTimeout> | undefined>(undefined);
	const end = () => {
		clearTimeout(timer.current);
		setHeld(false);
	};
	const begin = () => {
		if (busy || held) return;
		setHeld(true);
		timer.current = setTimeout(() => {
			setHeld(false);
			setBusy(true);
			void act().finally(() => setBusy(false));
		}, 1000);
	};
	useEffect(() => () => clearTimeout(timer.current), []);
	return (
		<button
			type="button"
			class={`ring-hold${danger ? " danger" : ""}${held ? " held" : ""}`}
			aria-disabled={busy}
			onPointerDown={begin}
			onPointerUp={end}
			onPointerLeave={end}
			onPointerCancel={end}
			onContextMenu={(e) => e.preventDefault()}
			onKeyDown={(e) => (e.key === "Enter" || e.key === " ") && !e.repeat && begin()}
			onKeyUp={end}
			onBlur={end}
		>
			<svg viewBox="0 0 64 64" aria-hidden="true">
				<circle class="track" cx="32" cy="32" r="26" />
				<circle class="grow" cx="32" cy="32" r="26" pathLength={100} />
			</svg>
			<span>
				{label}
				{small && <small class="num">{small}</small>}
			</span>
		</button>
	);
}

/** Runs one thing at a time, and keeps the words of what failed. */
export function useAct(): { busy: boolean; failed: string; clear: () => void; run: (act: () => Promise<void>) => Promise<boolean> } {
	const { t } = useDeskWords();
	const [busy, setBusy] = useState(false);
	const [failed, setFailed] = useState("");
	const now = useRef(false);
	return {
		busy,
		failed,
		clear: () => setFailed(""),
		run: async (act) => {
			if (now.current) return false;
			now.current = true;
			setBusy(true);
			setFailed("");
			try {
				await act();
				return true;
			} catch (error) {
				setFailed(error instanceof Error && error.name === "OnlyHere" ? t("only-here.waits") : t("error", { why: why(error, t) }));
				return false;
			} finally {
				now.current = false;
				setBusy(false);
			}
		},
	};
}

/** Asks for a reason, then acts. */
export function Ask({
	title,
	label,
	act,
	cancel,
	danger,
	least = 1,
}: {
	title: string;
	label: string;
	act: (reason: string) => Promise<void>;
	cancel: () => void;
	danger?: boolean;
	least?: number;
}) {
	const { t } = useDeskWords();
	const [reason, setReason] = useState("");
	const a = useAct();
	const [short, setShort] = useState(false);
	const field = useRef<HTMLTextAreaElement>(null);
	useEffect(() => field.current?.focus(), []);
	const go = () => {
		if ([...reason.trim()].length < least) {
			setShort(true);
			field.current?.focus();
			return;
		}
		void a.run(() => act(reason.trim()));
	};
	return (
		<form
			class="ask"
			onSubmit={(e) => {
				e.preventDefault();
				go();
			}}
			onKeyDown={(e) => e.key === "Escape" && cancel()}
		>
			<label>
				{title}
				{short && <small role="alert">{t("reason.needed")}</small>}
				<textarea ref={field} value={reason} maxLength={1000} onInput={(e) => setReason(e.currentTarget.value)} />
			</label>
			{a.failed && (
				<p class="message" role="alert">
					{a.failed}
				</p>
			)}
			<div class="actions">
				<button type="button" onClick={cancel}>
					{t("cancel")}
				</button>
				<button type="submit" class={danger ? "danger strong" : "strong"} aria-disabled={a.busy}>
					{label}
				</button>
			</div>
		</form>
	);
}

export function Field({
	label,
	hint,
	value,
	set,
	type = "text",
	max = 200,
	options,
	rows,
	mono,
	required,
}: {
	label: string;
	hint?: string;
	value: string;
	set: (v: string) => void;
	type?: "text" | "date" | "number" | "password" | "search" | "datetime-local";
	max?: number;
	options?: readonly { id: string; title: string }[];
	rows?: number;
	mono?: boolean;
	required?: boolean;
}) {
	const id = useId();
	return (
		<div class="field">
			<label for={id}>{label}</label>
			{hint && <small id={`${id}-hint`}>{hint}</small>}
			{options ? (
				<select id={id} value={value} onChange={(e) => set(e.currentTarget.value)} aria-describedby={hint ? `${id}-hint` : undefined}>
					{options.map((o) => (
						<option key={o.id} value={o.id} selected={o.id === value}>
							{o.title}
						</option>
					))}
				</select>
			) : rows ? (
				<textarea
					id={id}
					class={mono ? "mono" : ""}
					rows={rows}
					value={value}
					maxLength={max}
					spellcheck={!mono}
					required={required}
					onInput={(e) => set(e.currentTarget.value)}
				/>
			) : (
				<input
					id={id}
					type={type as "text"}
					value={value}
					maxLength={max}
					autocomplete="off"
					required={required}
					aria-describedby={hint ? `${id}-hint` : undefined}
					onInput={(e) => set(e.currentTarget.value)}
				/>
			)}
		</div>
	);
}

/** Several may be chosen. */
export function Checks({
	label,
	options,
	value,
	set,
}: {
	label: string;
	options: readonly { id: string; title: string; small?: string }[];
	value: readonly string[];
	set: (v: string[]) => void;
}) {
	return (
		<fieldset class="checks">
			<legend>{label}</legend>
			{options.map((o) => (
				<label key={o.id}>
					<input
						type="checkbox"
						checked={value.includes(o.id)}
						onChange={(e) => set(e.currentTarget.checked ? [...value, o.id] : value.filter((v) => v !== o.id))}
					/>
					<span>
						{o.title}
						{o.small && <small>{o.small}</small>}
					</span>
				</label>
			))}
		</fieldset>
	);
}

// --- pictures

const urls = new Map<string, Promise<string>>();
const MOST_URLS = 300;

/** The address in memory of a picture of the server; had once. */
function pictureUrl(d: Desk, path: string): Promise<string> {
	const key = `${d.shared ? d.token() : ""} ${path}`;
	let url = urls.get(key);
	if (!url) {
		url = getFile(d, path).then((b) => URL.createObjectURL(b));
		urls.set(key, url);
		url.catch(() => urls.delete(key));
		if (urls.size > MOST_URLS) {
			const [oldest, gone] = urls.entries().next().value!;
			urls.delete(oldest);
			void gone.then(
				(u) => URL.revokeObjectURL(u),
				() => undefined,
			); // it was never had
		}
	}
	return url;
}

function usePicture(d: Desk, path: string, near: boolean): { url: string; failed: string } {
	const { t } = useDeskWords();
	const [got, set] = useState<{ path: string; url: string; failed: string }>({ path: "", url: "", failed: "" });
	useEffect(() => {
		if (!near) return;
		let gone = false;
		pictureUrl(d, path).then(
			(url) => !gone && set({ path, url, failed: "" }),
			(error: unknown) => !gone && set({ path, url: "", failed: why(error, t) }),
		);
		return () => {
			gone = true;
		};
	}, [d, path, near]);
	return got.path === path ? got : { url: "", failed: "" };
}

/** True from when the element first comes near the screen. */
function useNear(el: RefObject<HTMLElement | null>): boolean {
	const [near, set] = useState(false);
	useEffect(() => {
		if (!el.current || near) return;
		const watch = new IntersectionObserver((seen) => seen.some((s) => s.isIntersecting) && set(true), { rootMargin: "300px" });
		watch.observe(el.current);
		return () => watch.disconnect();
	}, [near]);
	return near;
}

export interface Shot {
	job: string;
	digest: string;
	/** What is seen, in words: also the picture's text. */
	title: string;
	small?: string;
	received: boolean;
	readable: boolean;
	/** The server has drawn what it found at the end face. */
	overlay?: boolean;
}

/** A photo that opens large with a touch or Enter. */
export function Photo({ desk: d, shot, all }: { desk: Desk; shot: Shot; all: readonly Shot[] }) {
	const { t } = useDeskWords();
	const el = useRef<HTMLButtonElement>(null);
	const near = useNear(el);
	const [open, setOpen] = useState(false);
	const can = shot.received && shot.readable;
	const { url, failed } = usePicture(d, filePath(shot.job, shot.digest, 320), near && can);
	return (
		<figure class="photo">
			<button
				ref={el}
				type="button"
				class="shot"
				onClick={() => can && setOpen(true)}
				aria-disabled={!can}
				aria-label={t("photo.large", { title: shot.title })}
			>
				{url ? (
					<img src={url} alt={shot.title} />
				) : (
					<span>{!shot.received ? t("photo.not-here") : !shot.readable ? t("photo.unreadable") : failed || t("loading")}</span>
				)}
			</button>
			<figcaption>
				{shot.title}
				{shot.small && <small class="num">{shot.small}</small>}
			</figcaption>
			{open && <Zoom desk={d} shots={all.filter((s) => s.received && s.readable)} first={shot} close={() => setOpen(false)} back={el} />}
		</figure>
	);
}

/** One photo large: closer and further, the next and the one before, what was found at an end face. */
function Zoom({
	desk: d,
	shots,
	first,
	close,
	back,
}: {
	desk: Desk;
	shots: readonly Shot[];
	first: Shot;
	close: () => void;
	back: RefObject<HTMLElement | null>;
}) {
	const { t } = useDeskWords();
	const dialog = useRef<HTMLDialogElement>(null);
	const [at, setAt] = useState(
		Math.max(
			0,
			shots.findIndex((s) => s.digest === first.digest && s.title === first.title),
		),
	);
	const [scale, setScale] = useState(1);
	const [over, setOver] = useState(false);
	const s = shots[at] ?? first;
	const { url, failed } = usePicture(d, filePath(s.job, s.digest, over && s.overlay ? 1 : 1280), true);
	useEffect(() => {
		dialog.current?.showModal();
		return () => back.current?.focus();
	}, []);
	const step = (n: number) => {
		setAt((at + n + shots.length) % shots.length);
		setScale(1);
		setOver(false);
	};
	const zoom = (f: number) => setScale(Math.min(8, Math.max(1, scale * f)));
	return (
		<dialog
			class="zoom"
			ref={dialog}
			onClose={close}
			aria-label={s.title}
			onKeyDown={(e) => {
				if (e.key === "ArrowRight" || e.key === "n") step(1);
				else if (e.key === "ArrowLeft" || e.key === "p") step(-1);
				else if (e.key === "+") zoom(1.5);
				else if (e.key === "-") zoom(1 / 1.5);
				else return;
				e.preventDefault();
			}}
		>
			<div class="zoom-bar">
				<b>{s.title}</b>
				{s.overlay && (
					<button type="button" aria-pressed={over} onClick={() => setOver(!over)}>
						{t("photo.overlay")}
					</button>
				)}
				<button type="button" onClick={() => zoom(1 / 1.5)} aria-label={t("photo.further")}>
					−
				</button>
				<button type="button" onClick={() => zoom(1.5)} aria-label={t("photo.closer")}>
					+
				</button>
				{shots.length > 1 && (
					<>
						<button type="button" onClick={() => step(-1)}>
							{t("previous")}
						</button>
						<button type="button" onClick={() => step(1)}>
							{t("next")}
						</button>
					</>
				)}
				<button type="button" onClick={() => dialog.current?.close()}>
					{t("close")}
				</button>
			</div>
			{/* biome-ignore lint/a11y/noNoninteractiveTabindex: it scrolls, so the keyboard must reach it */}
			<div class="zoom-body" tabIndex={0} role="region" aria-label={s.title}>
				{url ? <img src={url} alt={s.title} style={{ width: `${scale * 100}%`, maxWidth: "none" }} /> : <p>{failed || t("loading")}</p>}
			</div>
		</dialog>
	);
}
