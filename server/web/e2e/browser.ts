import { existsSync, mkdirSync } from "node:fs";
import axe from "axe-core";
import { type Browser, type BrowserContext, chromium, type Page } from "playwright-core";
import { expect } from "vitest";
import type { Fake } from "./fake";

/** Artefacts for a person to look at; not kept in the repository. */
export const ARTEFACTS = "test-results";

export function browserPath(): string {
	const path = process.env.WITNESSMARK_CHROMIUM ?? "/usr/bin/chromium";
	if (!existsSync(path)) throw new Error(`these tests need Chromium, and ${path} is not there: set WITNESSMARK_CHROMIUM to its path`);
	return path;
}

export function launch(): Promise<Browser> {
	mkdirSync(ARTEFACTS, { recursive: true });
	return chromium.launch({
		executablePath: browserPath(),
		args: [
			"--no-sandbox",
			"--disable-background-networking",
			"--disable-component-update",
			"--disable-default-apps",
			"--disable-sync",
			"--metrics-recording-only",
			"--no-first-run",
		],
	});
}

export interface Size {
	width: number;
	height: number;
}
export const TALL: Size = { width: 390, height: 844 };
export const SMALL: Size = { width: 360, height: 640 };

export async function context(browser: Browser, size: Size = TALL): Promise<BrowserContext> {
	const c = await browser.newContext({
		viewport: size,
		hasTouch: true,
		isMobile: true,
		deviceScaleFactor: 2,
		locale: "en-GB",
		timezoneId: "Europe/Madrid",
	});
	c.setDefaultTimeout(10_000);
	return c;
}

/** Enrols by the link of a QR, and takes the job with it. */
export async function enrol(page: Page, fake: Fake, who = "IKE"): Promise<void> {
	await page.goto(`${fake.url}/#code=GOOD-${who}`);
	await page.getByRole("button", { name: /Enrol this phone|Dar de alta este/ }).click();
	await page.getByRole("heading", { name: /My jobs|Mis trabajos/ }).waitFor();
}

/** From the list of jobs to the job itself, past the check for no coverage. */
export async function takeJob(page: Page): Promise<void> {
	await page
		.getByRole("button", { name: /^Line day.*(not yet|aún no)/ })
		.first()
		.click();
	await page.getByRole("heading", { name: /Ready for no coverage|Listo sin cobertura/ }).waitFor();
	await kept(page);
	const go = page.getByRole("button", { name: /^(Ready|Go on all the same|Listo|Seguir de todos modos)/ });
	const again = page.getByRole("button", { name: /^(Check again|Comprobar otra vez)/ });
	await go.or(again).first().waitFor();
	if (!(await go.isVisible())) {
		await again.click();
		await go.waitFor();
	}
	await go.click();
	await page.getByRole("heading", { name: "Line day" }).waitFor();
}

/** The worker has the whole client. */
export async function kept(page: Page): Promise<void> {
	await page.evaluate(async () => {
		await navigator.serviceWorker.ready;
		for (let i = 0; i < 100; i++) {
			const names = await caches.keys();
			if (navigator.serviceWorker.controller && names.some((n) => n.startsWith("client-"))) return;
			await new Promise((r) => setTimeout(r, 50));
		}
	});
}

/** Opens the climb with the crew that is chosen, and gets past both gates. */
export async function openClimb(page: Page): Promise<void> {
	await page
		.getByRole("button", { name: /^Open a climb/ })
		.first()
		.click();
	await page.getByRole("button", { name: /^Open the climb/ }).click();
	await page.getByText("HOLD: NOT ON THE STRUCTURE YET").waitFor();
}

/** No problem of WCAG 2.2 A or AA; with `enhanced`, contrast of AAA too. */
export async function accessible(page: Page, name: string, enhanced = true): Promise<void> {
	await page.addScriptTag({ content: axe.source }).catch(() => page.evaluate(axe.source));
	const result = await page.evaluate(async (all) => {
		const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];
		const run = (globalThis as unknown as { axe: typeof axe }).axe.run;
		const found = await run(document, { runOnly: { type: "tag", values: tags } });
		const more = all ? await run(document, { runOnly: { type: "rule", values: ["color-contrast-enhanced"] } }) : undefined;
		return [...found.violations, ...(more?.violations ?? [])].map(
			(v) =>
				`${v.id}: ${v.nodes
					.map((n) => `${n.target.join(" ")} ${n.failureSummary ?? ""}`)
					.slice(0, 3)
					.join(" | ")}`,
		);
	}, enhanced);
	expect(result, name).toEqual([]);
}

/** Nothing tappable under 48 px, the primary action 108 px, nothing wider than the screen, nothing cut off. */
export async function fits(page: Page, name: string): Promise<void> {
	const problems = await page.evaluate(() => {
		const out: string[] = [];
		if (document.documentElement.scrollWidth > innerWidth)
			out.push(`wider than the screen: ${document.documentElement.scrollWidth} > ${innerWidth}`);
		for (const el of document.querySelectorAll<HTMLElement>("button, summary, input:not(.hidden-input), a[href], textarea")) {
			const r = el.getBoundingClientRect();
			if (r.width === 0) continue;
			if (r.height < 48 || r.width < 48)
				out.push(`${el.className || el.tagName} "${el.textContent?.slice(0, 20)}" is ${Math.round(r.width)}×${Math.round(r.height)}`);
			if (el.classList.contains("primary") && r.height < 108) out.push(`primary is ${r.height} high`);
			if (el.scrollWidth > el.clientWidth + 1 && getComputedStyle(el).overflow !== "visible")
				out.push(`${el.className} "${el.textContent?.slice(0, 20)}" is cut off`);
		}
		const foot = document.querySelector(".foot")?.getBoundingClientRect();
		if (foot && foot.bottom > innerHeight + 1) out.push("the foot is below the screen");
		for (const el of document.querySelectorAll<HTMLElement>(".body *")) {
			const size = Number.parseFloat(getComputedStyle(el).fontSize);
			if (el.childNodes.length > 0 && [...el.childNodes].some((n) => n.nodeType === 3 && n.textContent?.trim()) && size < 15)
				out.push(`"${el.textContent?.slice(0, 20)}" at ${size}px`);
		}
		return out;
	});
	expect(problems, name).toEqual([]);
}

export async function shot(page: Page, name: string): Promise<void> {
	await page.screenshot({ path: `${ARTEFACTS}/${name}.png` });
}

/** A picture as a camera makes one: a JPEG with detail, of about the size asked for. */
export async function picture(page: Page, seed: number, side = 900): Promise<Buffer> {
	const url = await page.evaluate(
		({ seed, side }) => {
			const c = document.createElement("canvas");
			c.width = side;
			c.height = side;
			const x = c.getContext("2d")!;
			let s = seed;
			const random = () => {
				s = (s * 1103515245 + 12345) % 2147483648;
				return s / 2147483648;
			};
			for (let i = 0; i < side * 8; i++) {
				x.fillStyle = `hsl(${random() * 360} 60% ${30 + random() * 60}%)`;
				x.fillRect(random() * side, random() * side, 2 + random() * 20, 2 + random() * 20);
			}
			return c.toDataURL("image/jpeg", 0.95);
		},
		{ seed, side },
	);
	return Buffer.from(url.slice(url.indexOf(",") + 1), "base64");
}
