import { keep, kept } from "./database";

interface Measured {
	/** Server minus device, milliseconds. */
	offset: number;
	/** Device's clock when it was measured. */
	device: number;
	/** performance.now() then, valid within this page only. */
	steady: number;
	page: number;
}

const PAGE = typeof performance === "undefined" ? 0 : performance.timeOrigin;
let last: Measured | undefined;

/** Notes the server's time, had in answer to a call that went from `before` to `after` (device's clock). */
export function measured(server: number, before: number, after: number): void {
	last = { offset: Math.round(server - (before + after) / 2), device: after, steady: performance.now(), page: PAGE };
	void keep("clock", last).catch(() => undefined); // it is measured again at the next contact
}

export async function loadClock(): Promise<void> {
	last = await kept<Measured>("clock");
}

/** Server minus device in milliseconds; undefined when it was never measured. A clock that was set since, while this page ran, is followed. */
export function offset(now: number = Date.now()): number | undefined {
	if (!last) return undefined;
	return last.offset - jumped(now);
}

/** How far the device's clock was set since the last measurement, as far as this page can tell: 0 under 2 s. */
export function jumped(now: number = Date.now()): number {
	if (!last || last.page !== PAGE) return 0;
	const drift = now - last.device - (performance.now() - last.steady);
	return Math.abs(drift) < 2000 ? 0 : Math.round(drift);
}

/** The best guess of the server's time. */
export function serverNow(now: number = Date.now()): number {
	return now + (offset(now) ?? 0);
}

export function lastContact(): number | undefined {
	return last && last.device + last.offset;
}
