import type { ComponentChildren } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { StepState as S, Verdict } from "../gen/witnessmark/record/v1/line_pb";
import type { StepStatus } from "../record/fold";
import { go, jobPath } from "../route";
import { phone, usePhone } from "../store/phone";
import type { Key } from "../text";
import { useWords } from "./words";

export type Sign = "whole" | "broken" | "dashed" | "hollow";

/** Our one sign. It always stands beside a word, so it says nothing to a screen reader. */
export function Stripe({ sign }: { sign: Sign }) {
	return <span class={`stripe ${sign}`} aria-hidden="true" />;
}

/** The sign for how a step stands. */
export function signOf(s: Pick<StepStatus, "state" | "verdict">): Sign {
	switch (s.state) {
		case S.COMPLETE:
			return s.verdict === Verdict.PASS_NOT_PROVEN ? "dashed" : "whole";
		case S.NOT_NEEDED:
			return "whole";
		case S.DEVIATING:
			return "dashed";
		case S.OUT_OF_LIMITS:
			return s.verdict === Verdict.NOT_MEASURABLE ? "hollow" : "broken";
		case S.RETURNED:
			return "broken";
		case S.WAITING:
			return "dashed";
		default:
			return "hollow";
	}
}

/** The words for how a step stands. */
export function stateKey(s: Pick<StepStatus, "state" | "verdict" | "step" | "deviationAsked">): Key {
	switch (s.state) {
		case S.COMPLETE:
			return s.verdict === Verdict.PASS_NOT_PROVEN ? "verdict.not-proven" : "state.complete";
		case S.NOT_NEEDED:
			return "state.not-needed";
		case S.DEVIATING:
			return "state.deviating";
		case S.OUT_OF_LIMITS: {
			if (s.deviationAsked) return "state.asked";
			const measured = ["reading", "torque", "trace"].includes(s.step.def.kind.case ?? "");
			return measured ? "state.out" : "state.not-right";
		}
		case S.RETURNED:
			return "state.returned";
		case S.WAITING:
			return "state.waiting";
		default:
			return "state.open";
	}
}

/** The one line on top: where am I, what only this phone holds, and the stop in one touch. */
export function Where({ title, place, job, home = "/" }: { title: string; place?: string | undefined; job?: string; home?: string }) {
	const { t, language } = useWords();
	const { unsent, progress, session, writer } = usePhone();
	const n = unsent.entries + unsent.files + unsent.refused;
	const narrow = typeof innerWidth === "number" && innerWidth < 480;
	const label = n > 0 ? t(narrow ? "only.short" : "only", { n }) : t("all-sent");
	return (
		<header class="where">
			<button type="button" class="place" onClick={() => go(home)}>
				<span>
					<b>{title}</b>
					{place ? ` · ${place}` : ""}
				</span>
			</button>
			{session && (
				<button
					type="button"
					class={`only num${n > 0 ? " held" : ""}`}
					onClick={() => go("/unsent")}
					aria-label={n > 0 ? t("only", { n }) : t("all-sent")}
					lang={language}
				>
					{label}
					{progress.phase === "sending" && n > 0 ? " ↑" : ""}
				</button>
			)}
			{job && writer && (
				<button type="button" class="stop-work" aria-label={t("stop.label")} onClick={() => void stopWork(job)}>
					{t("stop")}
				</button>
			)}
		</header>
	);
}

/** One touch: the work is stopped and recorded at once; the next screen offers the reason, and what to do after a slip. */
export async function stopWork(job: string): Promise<void> {
	const loaded = phone.job(job);
	try {
		const entry = await phone.say(job, {
			kind: { case: "workStopped", value: { $typeName: "witnessmark.record.v1.WorkStopped", reason: "" } },
			climb: loaded?.state.climb?.id ?? "",
		});
		go(jobPath(job, "stopped", { entry: entry.id }));
	} catch (error) {
		go(jobPath(job, "stopped", { failed: error instanceof Error ? error.message : String(error) }));
	}
}

/** A whole screen. `title` is read out when it opens. */
export function Screen(props: {
	where: ComponentChildren;
	hold?: ComponentChildren;
	children: ComponentChildren;
	foot?: ComponentChildren;
	class?: string;
}) {
	const { t } = useWords();
	const { writer } = usePhone();
	const main = useRef<HTMLElement>(null);
	useEffect(() => {
		main.current?.focus({ preventScroll: true });
	}, []);
	return (
		<div class="screen">
			{props.where}
			{writer === false && <p class="hold">{t("elsewhere")}</p>}
			{props.hold}
			<main class={`body ${props.class ?? ""}`} ref={main} tabIndex={0}>
				{props.children}
			</main>
			{props.foot && <div class="foot">{props.foot}</div>}
		</div>
	);
}

/** The primary action: 20 mm at the thumb. While it works it takes no second touch. */
export function Primary({
	label,
	small,
	act,
	danger,
}: {
	label: string;
	small?: string | undefined;
	act: () => void | Promise<void>;
	danger?: boolean;
}) {
	const [busy, run] = useBusy();
	return (
		<button type="button" class={`primary${danger ? " danger" : ""}`} aria-disabled={busy} onClick={() => run(act)}>
			{label}
			{small && <small class="num">{small}</small>}
		</button>
	);
}

export function Second({
	label,
	small,
	act,
	danger,
}: {
	label: string;
	small?: string | undefined;
	act: () => void | Promise<void>;
	danger?: boolean;
}) {
	const [busy, run] = useBusy();
	return (
		<button type="button" class={`second${danger ? " danger" : ""}`} aria-disabled={busy} onClick={() => run(act)}>
			{label}
			{small && <small>{small}</small>}
		</button>
	);
}

/** Held for a second: for what a wet screen must not do. Works with the keyboard by holding Enter or the space bar. */
export function HoldButton({
	label,
	small,
	act,
	danger,
}: {
	label: string;
	small?: string | undefined;
	act: () => void | Promise<void>;
	danger?: boolean;
}) {
	const [held, setHeld] = useState(false);
	const [busy, run] = useBusy();
	const timer = useRef<ReturnType<typeof setTimeout> | undefined>(undefined);
	const begin = () => {
		if (busy || held) return;
		setHeld(true);
		timer.current = setTimeout(() => {
			setHeld(false);
			run(act);
		}, 1000);
	};
	const end = () => {
		clearTimeout(timer.current);
		setHeld(false);
	};
	useEffect(() => () => clearTimeout(timer.current), []);
	return (
		<button
			type="button"
			class={`primary hold-button${danger ? " danger" : ""}${held ? " held" : ""}`}
			onPointerDown={begin}
			onPointerUp={end}
			onPointerLeave={end}
			onPointerCancel={end}
			onContextMenu={(e) => e.preventDefault()}
			onKeyDown={(e) => (e.key === "Enter" || e.key === " ") && !e.repeat && begin()}
			onKeyUp={end}
		>
			{label}
			{small && <small class="num">{small}</small>}
			<i aria-hidden="true" />
		</button>
	);
}

function useBusy(): [boolean, (act: () => void | Promise<void>) => void] {
	const [busy, setBusy] = useState(false);
	const now = useRef(false);
	const gone = useRef(false);
	useEffect(
		() => () => {
			gone.current = true;
		},
		[],
	);
	return [
		busy,
		(act) => {
			if (now.current) return;
			const result = act();
			if (!(result instanceof Promise)) return;
			now.current = true;
			setBusy(true);
			void result.finally(() => {
				now.current = false;
				if (!gone.current) setBusy(false);
			});
		},
	];
}

/** What did not work, in words. Empty shows nothing. */
export function Message({ text }: { text: string }) {
	return text ? (
		<p class="message" role="alert">
			{text}
		</p>
	) : null;
}

/** A row that leads somewhere. */
export function Row(props: {
	sign?: Sign;
	title: ComponentChildren;
	small?: ComponentChildren;
	act?: () => void;
	end?: ComponentChildren;
}) {
	const inner = (
		<>
			{props.sign && <Stripe sign={props.sign} />}
			<span>
				{props.title}
				{props.small && <small class="num">{props.small}</small>}
			</span>
			{props.end}
			{props.act && (
				<span class="go" aria-hidden="true">
					›
				</span>
			)}
		</>
	);
	return (
		<li>
			{props.act ? (
				<button type="button" class="row" onClick={props.act}>
					{inner}
				</button>
			) : (
				<div class="row">{inner}</div>
			)}
		</li>
	);
}

/** One of several, each a button. */
export function Choices<T extends string>({
	label,
	options,
	value,
	pick,
	tall,
}: {
	label: string;
	options: readonly { id: T; title: string }[];
	value: T | undefined;
	pick: (id: T) => void;
	tall?: boolean;
}) {
	return (
		<div class={`choices${tall ? " tall" : ""}`} role="group" aria-label={label}>
			{options.map((o) => (
				<button type="button" key={o.id} aria-pressed={o.id === value} onClick={() => pick(o.id)}>
					{o.title}
				</button>
			))}
		</div>
	);
}

/** The words of an error, for a person. A full store says what to do. */
export function why(error: unknown, t: ReturnType<typeof useWords>["t"]): string {
	if (error instanceof DOMException && error.name === "QuotaExceededError") return t("quota");
	if (error && typeof error === "object" && "rawMessage" in error) return String((error as { rawMessage: unknown }).rawMessage);
	return error instanceof Error ? error.message : String(error);
}
