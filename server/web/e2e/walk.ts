// A walk of chance with a seed: what two phones do, and what befalls them.

import type { Locator } from "playwright-core";
import type { Link, Phone, Real } from "./never-lose";
import { sha256, snapshot, until } from "./never-lose";

/** Numbers from 0 to 1 that a seed repeats (mulberry32, public domain). */
export function chance(seed: number): () => number {
	let a = seed >>> 0;
	return () => {
		a = (a + 0x6d2b79f5) >>> 0;
		let t = a;
		t = Math.imul(t ^ (t >>> 15), t | 1);
		t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
		return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
	};
}

const DAY = 24 * 3600_000;
const path = (job: string, step: string) => `/job/${job}/step?step=${encodeURIComponent(step)}`;

/** One phone with the link that it alone uses. */
export interface Walker {
	phone: Phone;
	link: Link;
	/** Entries that its screen has shown as saved. */
	shown: number;
	/** How many of its entries there may be beyond those: made, and the browser ended before it could say so. */
	perhaps: number;
}

export interface Counts {
	actions: number;
	kills: number;
	serverKills: number;
	jumps: number;
	reloads: number;
	weather: number;
	kinds: Map<string, number>;
}

/** Does what a person does on a screen; the number is how many entries the screen has shown as saved. */
type Act = (w: Walker) => Promise<number>;

export class Walk {
	readonly counts: Counts = { actions: 0, kills: 0, serverKills: 0, jumps: 0, reloads: 0, weather: 0, kinds: new Map() };
	readonly steps: string[] = [];
	private n = 0;

	constructor(
		private readonly random: () => number,
		private readonly real: Real,
		private readonly base: Buffer,
		private readonly climb: string,
		private readonly seed: number,
	) {}

	private pick<T>(of: readonly T[]): T {
		return of[Math.floor(this.random() * of.length)]!;
	}

	private text(): string {
		return `walk ${this.seed} ${++this.n} ${this.pick(["ñandú 21 °C", "“quoted”", "10 × 4 <b>", "🔩 loose", "line\nbreak", "plain"])}`;
	}

	private connection(part: string): string {
		return `connection:${this.pick(["B1-top", "B1-base", "B2-top", "B2-base"])}/${part}`;
	}

	/** Takes its own last word on a step back, or says one; where neither is offered (another's word stands there) it notes something. */
	private async answer(w: Walker, step: string, offered: Locator, make: () => Promise<void>): Promise<number> {
		await w.phone.go(path(this.real.job, step));
		await w.phone.page.waitForTimeout(120); // the screen before is gone
		await w.phone.page.locator(".foot button, .choices.tall button").first().waitFor();
		const slip = w.phone.foot(/Mistyped/);
		const back = await slip.isVisible();
		if (!back && !(await offered.isVisible())) return this.acts.note!(w);
		const before = await this.count(w);
		await (back ? slip.click() : make());
		await this.more(w, before);
		return 1;
	}

	/** Entries on the phone, by its own database. */
	private async count(w: Walker): Promise<number> {
		return (await w.phone.stored()).entries.length;
	}

	/** The step's screens stay where they are: that an entry is there says the database. */
	private more(w: Walker, before: number): Promise<void> {
		return until(
			"one entry more",
			async () => {
				// A value that seems a slip is asked about once.
				const keep = w.phone.page.getByRole("button", { name: /^(Keep|Yes,)/ }).first();
				if (await keep.isVisible()) await keep.click();
				return (await this.count(w)) > before || (await w.phone.page.locator("main").textContent());
			},
			10_000,
		);
	}

	private async digits(w: Walker, value: string): Promise<void> {
		await w.phone.page.locator(".keys").waitFor();
		for (const k of value) await w.phone.page.locator(".keys").getByRole("button", { name: k, exact: true }).click();
		await w.phone.page.locator(".foot .primary").click();
	}

	readonly acts: Record<string, Act> = {
		note: async (w) => {
			await w.phone.note(this.real.job, this.text());
			return 1;
		},
		photo: async (w) => {
			const size = this.random() < 0.2 ? 900_000 : 60_000 + Math.floor(this.random() * 200_000);
			const bytes = snapshot(this.base, this.seed * 1000 + ++this.n, size);
			const step = this.connection(this.pick(["clean/photo-before", "clean/photo-after", "couple/photos"]));
			await w.phone.photo(this.real.job, step, bytes);
			return 1;
		},
		wind: async (w) => {
			const { page } = w.phone;
			await w.phone.go(path(this.real.job, `climb:${this.climb}/weather/wind`));
			await page.locator(".foot .primary").waitFor();
			const before = await this.count(w);
			const repeat = page.getByRole("button", { name: /Measure again|Repeat/ }).first();
			if (await repeat.isVisible()) await repeat.click();
			else await page.locator(".foot .primary").click();
			await this.digits(w, `${1 + Math.floor(this.random() * 8)}.${Math.floor(this.random() * 10)}`);
			await this.more(w, before);
			return 1;
		},
		confirm: (w) => {
			const done = w.phone.foot(/^Done/);
			const step = this.connection(this.pick(["clean/tones-off", "clean/wipe", "clean/inspect-again", "couple/mate", "couple/mark"]));
			return this.answer(w, step, done, () => done.click());
		},
		choice: (w) => {
			const first = w.phone.page.locator(".choices.tall button").first();
			return this.answer(w, this.connection("clean/inspect"), first, () => first.click());
		},
		remark: (w) => {
			const field = w.phone.page.locator("textarea");
			return this.answer(w, "job/close/remark", field, async () => {
				await field.fill(this.text());
				await w.phone.foot(/^Save/).click();
			});
		},
		stop: async (w) => {
			await w.phone.go(`/job/${this.real.job}`);
			await w.phone.page.locator(".stop-work").click();
			await w.phone.page.waitForFunction(() => location.pathname.endsWith("/stopped") && location.search.includes("entry="));
			if (this.random() < 0.5) return 1;
			await w.phone.foot(/mistake/i).click();
			await w.phone.page.waitForFunction(() => !location.pathname.endsWith("/stopped"));
			return 2;
		},
		crew: async (w) => {
			await w.phone.go(`/job/${this.real.job}/crew`);
			await w.phone.page.locator(".choices.tall button").first().waitFor();
			const chosen = w.phone.page.locator('.choices.tall button[aria-pressed="true"]');
			if ((await chosen.count()) === 0) await w.phone.page.locator(".choices.tall button").first().click();
			await w.phone.page.locator(".foot .primary").click();
			await w.phone.page.waitForFunction(() => !location.pathname.endsWith("/crew"));
			return 1;
		},
		trace: async (w) => {
			await w.phone.go(path(this.real.job, `line:${this.pick(["B1", "B2"])}/test/trace`));
			const input = w.phone.page.locator('main input[type="file"]').first();
			await input.waitFor({ state: "attached" });
			const before = await this.count(w);
			// A trace of one port as the published format Touchstone 1.0 has it.
			const content = Buffer.from(
				`! walk ${this.seed} ${++this.n}\n# MHZ S DB R 50\n${Array.from({ length: 60 }, (_, i) => `${880 + i} -${20 + ((i * 7 + this.n) % 9)}.5 ${i}`).join("\n")}\n`,
			);
			await input.setInputFiles({ name: `walk-${this.n}.s1p`, mimeType: "application/octet-stream", buffer: content });
			await this.more(w, before);
			w.phone.photos.add(sha256(content));
			return 1;
		},
	};

	/** One step of the walk. */
	async step(walkers: Walker[]): Promise<void> {
		const w = this.pick(walkers);
		const p = this.random();
		if (p < 0.68) return this.act(w);
		if (p < 0.8) return this.weather(w);
		if (p < 0.86) return this.jump(w);
		if (p < 0.93) return this.reload(w);
		if (p < 0.98) return this.kill(w);
		this.say("the server is killed");
		this.counts.serverKills++;
		await this.real.kill();
		if (this.random() < 0.7) await this.act(w);
		await this.real.start();
	}

	private say(what: string): void {
		this.steps.push(what);
	}

	private async act(w: Walker): Promise<void> {
		const [kind, act] = this.pick([
			...Object.entries(this.acts),
			["note", this.acts.note!],
			["note", this.acts.note!],
			["photo", this.acts.photo!],
			["wind", this.acts.wind!],
		] as [string, Act][]);
		this.say(`${w.phone.name}: ${kind}`);
		w.shown += await act(w);
		this.counts.actions++;
		this.counts.kinds.set(kind, (this.counts.kinds.get(kind) ?? 0) + 1);
		if (this.random() < 0.25) await this.look(w);
	}

	/** All that was shown as saved is there, and nothing else than what was made. */
	async look(w: Walker): Promise<void> {
		const n = await w.phone.check();
		if (n < w.shown || n > w.shown + w.perhaps) throw new Error(`${w.phone.name} shows ${w.shown} entries as saved and holds ${n}`);
		w.shown = n;
		w.perhaps = 0;
	}

	private async weather(w: Walker): Promise<void> {
		w.link.weather = this.pick(["up", "up", "up", "cut", "cut", "swallow", "portal", "gate", "stall"] as const);
		if (this.random() < 0.3) w.link.cutChunk = 1 + Math.floor(this.random() * 3);
		this.counts.weather++;
		this.say(`${w.phone.name}: the line is ${w.link.weather}`);
		if (w.link.weather !== "stall" && this.random() < 0.7) w.link.drop();
	}

	private async jump(w: Walker): Promise<void> {
		const skew = Math.round(this.pick([0, 0, 1, -1, 7, -7, 0.02]) * DAY * (0.5 + this.random()));
		this.say(`${w.phone.name}: the clock is ${Math.round(skew / 60_000)} minutes off`);
		this.counts.jumps++;
		await w.phone.setClock(skew);
	}

	private async reload(w: Walker): Promise<void> {
		this.say(`${w.phone.name}: reload`);
		this.counts.reloads++;
		// In the middle of an act, sometimes: what was not yet shown as saved may or may not be there.
		if (this.random() < 0.5) await this.begin(w);
		await w.phone.page.reload();
		await w.phone.page.locator(".where").waitFor();
		await this.look(w);
	}

	private async kill(w: Walker): Promise<void> {
		this.say(`${w.phone.name}: the browser is killed`);
		this.counts.kills++;
		const p = this.random();
		if (p < 0.3) await this.begin(w);
		else if (p < 0.7) w.shown += await this.acts.note!(w);
		await w.phone.kill();
		await w.phone.launch();
		await w.phone.open(`/job/${this.real.job}`);
		await this.look(w);
	}

	/** Begins to save a note and does not wait for it. */
	private async begin(w: Walker): Promise<void> {
		await w.phone.go(`/job/${this.real.job}/note`);
		await w.phone.page.locator("textarea").fill(this.text());
		w.perhaps++;
		await w.phone.page.evaluate(
			(ms) => {
				document.querySelector<HTMLElement>(".foot .primary")!.click();
				return new Promise((ok) => setTimeout(ok, ms));
			},
			Math.floor(this.random() * 12),
		);
	}
}
