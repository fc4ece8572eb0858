import { createHash } from "node:crypto";
import type { Browser, BrowserContext, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, it } from "vitest";
import { accessible, context, enrol, fits, kept, launch, openClimb, picture, SMALL, shot, takeJob } from "./browser";
import { Fake } from "./fake";

let browser: Browser;
let fake: Fake;
let c: BrowserContext;
let page: Page;
const problems: string[] = [];

beforeAll(async () => {
	browser = await launch();
});
afterAll(() => browser.close());
beforeEach(async () => {
	fake = await new Fake().start();
	c = await context(browser);
	page = await c.newPage();
	problems.length = 0;
	page.on("pageerror", (e) => problems.push(e.message));
	page.on("console", (m) => m.type() === "error" && !/Failed to load resource|net::ERR/.test(m.text()) && problems.push(m.text()));
});
afterEach(async () => {
	await c.close();
	await fake.stop();
	expect(problems).toEqual([]);
});

const foot = (name: RegExp | string) => page.locator(".foot").getByRole("button", { name });
const sentCount = () => page.locator(".only");
const waitSent = () => page.locator(".only", { hasText: "all sent" }).waitFor();
const type = async (keys: string) => {
	for (const k of keys) await page.locator(".keys").getByRole("button", { name: k, exact: true }).click();
};
const toJob = () => page.goto(`${fake.url}/job/ridge-7`);
const stepUrl = (id: string) => `${fake.url}/job/ridge-7/step?step=${encodeURIComponent(id)}`;

describe("a day without coverage", () => {
	it("takes the job, works offline through gates, torque, photo and reading, and sends it all when coverage returns", async () => {
		await enrol(page, fake);
		await shot(page, "jobs");
		await takeJob(page);
		await waitSent();
		fake.faults.down = true;

		await openClimb(page);
		await shot(page, "before-the-climb");
		await expect.poll(() => sentCount().textContent()).toContain("1 only");

		// Briefing: Ike for himself.
		await foot(/Rescue plan/).click();
		await foot(/I know it/).click();
		await shot(page, "acknowledge");
		await toJob();
		await page
			.getByRole("button", { name: /Mean wind/ })
			.first()
			.click();
		await shot(page, "reading");
		await foot(/Enter/).click();
		await type("8.2");
		await shot(page, "keypad");
		await foot(/Save 8.2/).click();
		await page.getByText("WITHIN LIMITS").waitFor();
		await shot(page, "verdict-within");
		await foot(/Next/).click();

		// Hold ended as entered: nothing of the climb is open any more.
		await expect.poll(() => page.locator(".hold").count()).toBe(0);

		// A click wrench is one tap.
		await page.goto(stepUrl("connection:A1-top/couple/clean"));
		await foot(/^Done/).click();
		await page.getByRole("heading", { name: "Torque the coupling nut" }).waitFor();
		await page.getByRole("button", { name: "change" }).click();
		await page.getByRole("button", { name: /Wrench W-113/ }).click();
		await shot(page, "torque");
		await foot(/Clicked once/).click();
		await page.getByText("WITHIN LIMITS").waitFor();
		await foot(/Next/).click();

		// The photo, with the look before it counts.
		await page.getByRole("heading", { name: "Torque mark", exact: true }).waitFor();
		const bytes = await picture(page, 1);
		await page.locator("#camera").setInputFiles({ name: "IMG_1.jpg", mimeType: "image/jpeg", buffer: bytes });
		await page.getByRole("heading", { name: /Is it sharp/ }).waitFor();
		await page.locator(".shot img").waitFor();
		await shot(page, "photo-look");
		await foot(/Sharp: keep it/).click();
		await page.getByText("All photos of this step are taken").waitFor();
		await shot(page, "photo-kept");

		// A reading out of limits, then mistyped, then within.
		await page.goto(stepUrl("line:A1/test/intermodulation"));
		await foot(/2 × 20/).click();
		await type("146.2");
		await shot(page, "keypad-minus");
		await foot(/Save −146.2/).click();
		await page.getByText("OUT OF LIMITS").first().waitFor();
		await shot(page, "verdict-out");
		await foot(/Mistyped/).click();
		await page.locator(".keys").waitFor();
		await type("156.8");
		await foot(/Save −156.8/).click();
		await page.getByText("WITHIN, NOT PROVEN").waitFor();
		await shot(page, "verdict-not-proven");

		const n = fake.lines.length;
		expect(n).toBe(0);
		fake.faults.down = false;
		await page.goto(`${fake.url}/unsent`);
		await shot(page, "unsent");
		await foot(/Try now/).click();
		await waitSent();
		await expect.poll(() => fake.stored.size).toBe(1);
		expect([...fake.stored.keys()][0]).toBe(createHash("sha256").update(bytes).digest("hex"));
		expect(
			fake.lines.map((l) => Object.keys(l.entry).find((k) => /Opened|acknowledged|Taken|Applied|confirmed$|Attached|withdrawn/.test(k))),
		).toEqual([
			"climbOpened",
			"acknowledged",
			"readingTaken",
			"confirmed",
			"torqueApplied",
			"photoAttached",
			"readingTaken",
			"withdrawn",
			"readingTaken",
		]);
		expect(fake.chainProblems()).toEqual([]);
		const torque = fake.lines.find((l) => l.entry.torqueApplied)!.entry.torqueApplied;
		expect(torque).toMatchObject({
			typed: "25 N·m",
			value: 25,
			unit: "NEWTON_METERS",
			tool: "instruments/w-113",
			toolSetting: { value: 25 },
		});
		expect(fake.lines.find((l) => l.entry.readingTaken?.unit === "DECIBELS_CARRIER")!.entry.readingTaken).toMatchObject({
			typed: "-146.2 dBc",
			value: -146.2,
			carrierPower: { value: 20, unit: "WATTS" },
		});
		// The bytes left the phone's store after the receipt only.
		expect(
			await page.evaluate(
				() =>
					new Promise((ok) => {
						const r = indexedDB.open("witnessmark");
						r.onsuccess = () => {
							const q = r.result.transaction("pieces").objectStore("pieces").count();
							q.onsuccess = () => ok(q.result);
						};
					}),
			),
		).toBe(0);
	});

	it("opens cold from the phone alone, a deep link too, and keeps what was not sent", async () => {
		await enrol(page, fake);
		await takeJob(page);
		fake.faults.down = true;
		await openClimb(page);
		await page.close();
		await fake.stop();
		page = await c.newPage();
		await page.goto(stepUrl("connection:B1-top/couple/torque"));
		await page.getByRole("heading", { name: "Torque the coupling nut" }).waitFor();
		await expect.poll(() => sentCount().textContent()).toContain("1 only");
		await page.goto(`${fake.url}/`);
		await page.getByRole("heading", { name: "My jobs" }).waitFor();
	});
});

describe("what goes wrong", () => {
	it("comes back to the same step after a kill while the camera was open, and to the photo when it was stored", async () => {
		await enrol(page, fake);
		await takeJob(page);
		await openClimb(page);
		const url = stepUrl("connection:A1-foot/couple/mark");
		await page.goto(url);
		await page.getByRole("heading", { name: "Torque mark", exact: true }).waitFor();
		await page.waitForTimeout(300);
		await page.evaluate(() => {
			// What the system does: the page goes without any event of its own.
			window.addEventListener("pagehide", (e) => e.stopImmediatePropagation(), true);
		});
		await page.close();
		page = await c.newPage();
		await page.goto(`${fake.url}/`);
		await page.getByRole("heading", { name: "Torque mark", exact: true }).waitFor();

		await page.locator("#camera").setInputFiles({ name: "x.jpg", mimeType: "image/jpeg", buffer: await picture(page, 2) });
		await page.getByRole("heading", { name: /Is it sharp/ }).waitFor();
		await page.reload();
		await page.getByRole("heading", { name: /Is it sharp/ }).waitFor();
		await foot(/keep it|Keep it/i).click();
		await expect.poll(() => fake.stored.size, { timeout: 15_000 }).toBe(1);
	});

	it("goes on with an upload at the offset that the server has, after a cut and a reload", async () => {
		await enrol(page, fake);
		await takeJob(page);
		await openClimb(page);
		await waitSent();
		fake.faults.cutChunk = 3;
		await page.goto(stepUrl("connection:A1-foot/couple/mark"));
		const bytes = await picture(page, 3, 2800);
		expect(bytes.length).toBeGreaterThan(1_000_000);
		await page.locator("#camera").setInputFiles({ name: "x.jpg", mimeType: "image/jpeg", buffer: bytes });
		await foot(/keep it/i).click();
		await expect.poll(() => [...fake.uploads.values()][0]?.bytes.length ?? 0, { timeout: 15_000 }).toBeGreaterThanOrEqual(2 * 262144);
		await page.reload();
		await expect.poll(() => fake.stored.size, { timeout: 20_000 }).toBe(1);
		expect(
			createHash("sha256")
				.update([...fake.stored.values()][0]!)
				.digest("hex"),
		).toBe(createHash("sha256").update(bytes).digest("hex"));
		const chunks = fake.calls.filter((x) => x === "UploadChunk").length;
		expect(chunks).toBeLessThanOrEqual(Math.ceil(bytes.length / 262144) + 2);
	});

	it("pauses when the session was ended, loses nothing, and goes on after a new code", async () => {
		await enrol(page, fake);
		await takeJob(page);
		fake.faults.signedOut = true;
		await page
			.getByRole("button", { name: /^Open a climb/ })
			.first()
			.click();
		await page.getByRole("button", { name: /^Open the climb/ }).click();
		await page.getByText(/Signed out by the server/).waitFor();
		await shot(page, "signed-out");
		expect(fake.lines.length).toBe(0);
		await page.getByLabel("Code").fill("GOOD-IKE");
		// A new key signs from here; what the old one signed is still good.
		await foot(/Enrol this phone/).click();
		await page.getByRole("heading", { name: "My jobs" }).waitFor();
		await expect.poll(() => fake.lines.length, { timeout: 15_000 }).toBe(1);
	});

	it("sets one entry aside that the server cannot read, sends all others, and shows it with its reason", async () => {
		await enrol(page, fake);
		await takeJob(page);
		fake.faults.down = true;
		for (const text of ["first", "POISON", "third", "fourth"]) {
			await page.goto(`${fake.url}/job/ridge-7/note`);
			await page.locator("textarea").fill(text);
			await foot(/Keep the note/).click();
			await page.getByRole("heading", { name: "Line day" }).waitFor();
		}
		fake.faults.poison = "POISON";
		fake.faults.down = false;
		await page.goto(`${fake.url}/unsent`);
		await expect.poll(() => fake.lines.map((l) => l.entry.note.text), { timeout: 15_000 }).toEqual(["first", "third", "fourth"]);
		await page.getByText("Not taken by the server").waitFor();
		await page.getByText(/the batch cannot be read/).waitFor();
		await shot(page, "refused");
		await expect.poll(() => sentCount().textContent()).toContain("1 only");
	});

	it("says that nothing was saved when the phone is full, and keeps what was there", async () => {
		await enrol(page, fake);
		await takeJob(page);
		await page.evaluate(() => {
			const put = IDBObjectStore.prototype.put;
			IDBObjectStore.prototype.put = function (this: IDBObjectStore, ...args: Parameters<typeof put>) {
				if (this.name === "pieces") {
					this.transaction.abort();
					throw new DOMException("full", "QuotaExceededError");
				}
				return put.apply(this, args);
			};
		});
		await page.evaluate(
			(u) => {
				history.pushState(null, "", u);
				dispatchEvent(new PopStateEvent("popstate"));
			},
			`/job/ridge-7/step?step=${encodeURIComponent("connection:A1-foot/couple/mark")}`,
		);
		await page.locator("#camera").setInputFiles({ name: "x.jpg", mimeType: "image/jpeg", buffer: await picture(page, 4, 200) });
		await page.getByText(/NOT SAVED. No room for the photo/).waitFor();
		await shot(page, "quota");
	});

	it("writes from one window only; another shows, and takes over when the first closes", async () => {
		await enrol(page, fake);
		await takeJob(page);
		const second = await c.newPage();
		await second.goto(`${fake.url}/job/ridge-7`);
		await second.getByText(/Open in another window/).waitFor();
		expect(await second.getByRole("button", { name: "Stop the work" }).count()).toBe(0);
		await page.close();
		await second.getByRole("button", { name: "Stop the work" }).waitFor();
		page = second;
	});

	it("takes a new version only when the person says so, and the unsent stays", async () => {
		await enrol(page, fake);
		await takeJob(page);
		await kept(page);
		fake.patch = (path, b) =>
			path === "/sw.js" ? Buffer.from(b.toString().replace(/const VERSION = "[0-9a-f]+"/, 'const VERSION = "newer"')) : b;
		await page.evaluate(async () => (await navigator.serviceWorker.getRegistration())!.update());
		await page.goto(`${fake.url}/`);
		await foot(/A new version is ready/).waitFor();
		await shot(page, "update");
		await Promise.all([page.waitForEvent("load"), foot(/A new version is ready/).click()]);
		await page.getByRole("heading", { name: "My jobs" }).waitFor();
		await expect
			.poll(() => page.evaluate(async () => (await caches.keys()).filter((n) => n.startsWith("client-"))))
			.toEqual(["client-newer"]);
	});

	it("measures the clock against the server and puts the offset into the entries", async () => {
		fake.clockAhead = 180_000;
		await enrol(page, fake);
		await takeJob(page);
		await openClimb(page);
		await waitSent();
		const offset = Number.parseFloat(fake.lines[0]!.entry.clockOffset);
		expect(Math.abs(offset - 180)).toBeLessThan(3);
	});

	it("stops the work in one touch, takes a slip back, and both stay on record", async () => {
		await enrol(page, fake);
		await takeJob(page);
		await page.getByRole("button", { name: "Stop the work" }).click();
		await page.getByText("WORK STOPPED").first().waitFor();
		await shot(page, "stopped");
		await foot(/Touched by mistake/).click();
		await page.getByRole("heading", { name: "Line day" }).waitFor();
		await expect
			.poll(() => fake.lines.map((l) => Object.keys(l.entry).find((k) => /workStopped|withdrawn/.test(k))))
			.toEqual(["workStopped", "withdrawn"]);
		await expect.poll(() => page.locator(".hold").count()).toBe(0);
	});

	it("asks once about a value that is almost surely a slip", async () => {
		await enrol(page, fake);
		await takeJob(page);
		await openClimb(page);
		await page.goto(stepUrl("connection:A1-foot/couple/torque"));
		await page.getByRole("button", { name: "change" }).click();
		await page.getByRole("button", { name: /Dial wrench/ }).click();
		await foot(/^Enter/).click();
		await type("2.5");
		await foot(/Save 2.5/).click();
		await page.getByRole("heading", { name: "Is that what was read?" }).waitFor();
		await shot(page, "ask");
		await page.getByRole("button", { name: /Yes, keep 2.5/ }).click();
		await page.getByText("OUT OF LIMITS").first().waitFor();
		await waitSent();
		expect(fake.lines.at(-1)!.entry).toMatchObject({ confirmedValue: true, torqueApplied: { typed: "2.5 N·m", value: 2.5 } });
	});

	it("exports what is unsent as a file, and another phone brings it in", async () => {
		await enrol(page, fake);
		await takeJob(page);
		fake.faults.down = true;
		await openClimb(page);
		await page.goto(`${fake.url}/unsent`);
		const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", { name: /Save as a file/ }).click()]);
		const path = await download.path();
		fake.faults.down = false;
		const office = await context(browser);
		const desk = await office.newPage();
		await enrol(desk, fake, "MARA");
		await desk.goto(`${fake.url}/unsent`);
		await desk.locator('input[type="file"]').setInputFiles(path!);
		await desk.getByText(/1 entries and 0 files are here now/).waitFor();
		await expect.poll(() => fake.lines.length, { timeout: 15_000 }).toBe(1);
		expect(fake.lines[0]!.entry.author).toBe("people/ike");
		await office.close();
	});
});

describe("every screen", () => {
	for (const [name, size, who, theme] of [
		["tall-en-day", { width: 390, height: 844 }, "IKE", "day"],
		["small-es-night", SMALL, "NOA", "night"],
		["small-en-day", SMALL, "IKE", "day"],
	] as const) {
		it(`fits and reads at ${name}`, async () => {
			await c.close();
			c = await context(browser, size);
			page = await c.newPage();
			await enrol(page, fake, who);
			await takeJob(page);
			if (theme === "night") {
				await page.goto(`${fake.url}/settings`);
				await page.getByRole("button", { name: /^(night|noche)$/ }).click();
				await expect
					.poll(() =>
						page.evaluate(
							() =>
								new Promise((ok) => {
									const r = indexedDB.open("witnessmark");
									r.onsuccess = () => {
										const q = r.result.transaction("kept").objectStore("kept").get("settings");
										q.onsuccess = () => ok(q.result?.theme);
									};
								}),
						),
					)
					.toBe("night");
			}
			const check = async (screen: string) => {
				await page.evaluate(() => document.fonts.ready);
				await shot(page, `${name}-${screen}`);
				await fits(page, `${name} ${screen}`);
				await accessible(page, `${name} ${screen}`);
			};
			await page.goto(`${fake.url}/job/ridge-7/climb`);
			await page.locator(".choices").waitFor();
			await check("climb");
			await page.locator(".foot .primary").click();
			await page.locator(".hold").waitFor();
			await check("job");
			const climb = await page.evaluate(
				() =>
					new Promise<string>((ok) => {
						const r = indexedDB.open("witnessmark");
						r.onsuccess = () => {
							const q = r.result.transaction("entries").objectStore("entries").getAll();
							q.onsuccess = () => ok(q.result.find((e: { kind: string }) => e.kind === "climbOpened").id);
						};
					}),
			);
			for (const [screen, path] of [
				["jobs", "/"],
				["settings", "/settings"],
				["unsent", "/unsent"],
				["ready", "/job/ridge-7/ready"],
				["find", "/job/ridge-7/find"],
				["more", "/job/ridge-7/more"],
				["list", "/job/ridge-7/list?section=couple"],
				["note", "/job/ridge-7/note"],
				["handover", "/job/ridge-7/handover"],
				["down", "/job/ridge-7/down"],
				["crew", "/job/ridge-7/crew"],
				["known", `/job/ridge-7/step?step=climb:${climb}/briefing/known`],
				["wind", `/job/ridge-7/step?step=climb:${climb}/weather/wind`],
				["kit", "/job/ridge-7/step?step=job/kit/self-check"],
				["clean", "/job/ridge-7/step?step=connection:A1-top/couple/clean"],
				["torque", "/job/ridge-7/step?step=connection:A1-top/couple/torque"],
				["mark", "/job/ridge-7/step?step=connection:A1-top/couple/mark"],
				["intermodulation", "/job/ridge-7/step?step=line:A1/test/intermodulation"],
				["trace", "/job/ridge-7/step?step=line:A1/test/trace"],
				["tidy", "/job/ridge-7/step?step=job/leave/tidy"],
				["remark", "/job/ridge-7/step?step=job/leave/remark"],
				["stopped", "/job/ridge-7/stopped"],
				["lost", "/nothing-here"],
			] as const) {
				await page.goto(fake.url + path);
				await page.locator("main h1, main label, main h2").first().waitFor();
				if (screen === "ready") await page.locator(".row").first().waitFor();
				await check(screen);
			}
			await page.goto(`${fake.url}/job/ridge-7/step?step=line:A1/test/intermodulation`);
			await page.locator(".foot .primary").click();
			await page.locator(".keys").waitFor();
			for (const k of "1462") await page.locator(".keys").getByRole("button", { name: k, exact: true }).click();
			await check("keypad");
			await page.locator(".foot .primary").click();
			await page.locator(".foot .primary, .verdict").first().waitFor();
			await check("ask-or-verdict");
		});
	}
});

describe("five hundred connections", () => {
	it("are found and scrolled with few of them drawn", async () => {
		await fake.stop();
		fake = await new Fake(500).start();
		await enrol(page, fake);
		await takeJob(page);
		await page.goto(`${fake.url}/job/ridge-7/find`);
		await page.getByText("500 of 500").waitFor();
		expect(await page.locator(".list > li.row, .list > li > .row").count()).toBeLessThan(60);
		await page.locator("main").evaluate((el) => {
			el.scrollTop = el.scrollHeight;
		});
		await page.getByRole("button", { name: /^A84 foot/ }).waitFor();
		await page.getByRole("searchbox").fill("c40 top");
		await page.getByText("1 of 500").waitFor();
		await page.locator(".foot .primary").click();
		await page.getByRole("heading", { name: "Inspect and clean" }).waitFor();
	});
});
