import type { Browser, BrowserContext, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { uuidv7 } from "../src/record/uuid";
import { accessible, launch, shot } from "./browser";
import { call, type Demo, enter, type Login, loginOf, startDemo, wide } from "./real";

let browser: Browser;
let demo: Demo;
let office: Login;
let lead: Login;
let climber: Login;
let auditor: Login;
const open: BrowserContext[] = [];
let problems: string[] = [];

beforeAll(async () => {
	browser = await launch();
	demo = await startDemo();
	office = loginOf(demo, "office");
	lead = loginOf(demo, "lead");
	climber = loginOf(demo, "climber");
	auditor = loginOf(demo, "auditor");
}, 240_000);
afterAll(async () => {
	await browser?.close();
	demo?.stop();
});
afterEach(async () => {
	for (const c of open.splice(0)) await c.close();
	const found = problems;
	problems = [];
	expect(found).toEqual([]);
});

async function pageOf(width = 1280, height = 800): Promise<Page> {
	const c = await wide(browser, width, height);
	open.push(c);
	const page = await c.newPage();
	page.on("pageerror", (e) => !/reading 'waiting'/.test(e.message) && problems.push(e.message)); // the worker is kept out, so that calls can be looked into
	page.on(
		"console",
		(m) => m.type() === "error" && !/Failed to load resource|net::ERR|Executing inline script/.test(m.text()) && problems.push(m.text()),
	);
	return page;
}

/** Nothing wider than the screen, nothing that is touched smaller than 44 px high, no text under 15 px. */
async function tidy(page: Page, name: string): Promise<void> {
	const found = await page.evaluate(() => {
		const out: string[] = [];
		if (document.documentElement.scrollWidth > innerWidth)
			out.push(`wider than the screen: ${document.documentElement.scrollWidth} > ${innerWidth}`);
		for (const el of document.querySelectorAll<HTMLElement>("button, summary, select, textarea, a[href], input:not([type=checkbox])")) {
			const r = el.getBoundingClientRect();
			if (r.width > 0 && r.height < 44) out.push(`${el.tagName} "${el.textContent?.slice(0, 20)}" is ${Math.round(r.height)} high`);
			if (r.width > 0 && (r.right > innerWidth + 1 || r.left < -1) && !el.closest(".table-wrap, .diff"))
				out.push(`${el.tagName} "${el.textContent?.slice(0, 20)}" leaves the screen`);
		}
		for (const el of document.querySelectorAll<HTMLElement>("main *, header *, nav *")) {
			const says = [...el.childNodes].some((n) => n.nodeType === 3 && n.textContent?.trim());
			if (says && !el.closest("svg") && Number.parseFloat(getComputedStyle(el).fontSize) < 15)
				out.push(`"${el.textContent?.slice(0, 20)}" is small`);
		}
		return out;
	});
	expect(found, name).toEqual([]);
}

async function look(page: Page, name: string): Promise<void> {
	await page.waitForTimeout(250);
	await shot(page, name);
	await tidy(page, name);
	await accessible(page, name);
}

const sizes = [
	["1280", 1280, 800],
	["390", 390, 844],
	["360", 360, 640],
] as const;

describe("the office", () => {
	it.each(sizes)("sees each of its screens at %s px, and they are accessible", async (size, width, height) => {
		const page = await pageOf(width, height);
		await enter(page, demo, office, false);
		await look(page, `office-jobs-${size}`);
		for (const at of ["people", "devices", "instruments", "sites", "procedures", "access", "custody", "organization", "new-job"]) {
			await page.goto(`${demo.url}/office/${at}`);
			await page.locator("h1").first().waitFor();
			await page.waitForLoadState("networkidle");
			await look(page, `office-${at}-${size}`);
		}
	});

	it("adds a person with a qualification and shows a code to enrol with; the code works once", async () => {
		const page = await pageOf();
		await enter(page, demo, office, false);
		await page.goto(`${demo.url}/office/people?p=new`);
		await page.getByLabel("Name").fill("Gus Halyard");
		await page.getByRole("button", { name: "Add a qualification" }).click();
		await page.getByLabel("Last day").fill("2020-01-31");
		await page.getByText("This day is over.").waitFor();
		await page.getByRole("button", { name: "Save" }).click();
		await page.getByRole("heading", { name: "Gus Halyard" }).waitFor();
		await page.getByRole("button", { name: /Gus Halyard.*ended: climbing/ }).waitFor();
		await page.getByRole("button", { name: "Make a code" }).click();
		await page.locator("img.qr").waitFor();
		const code = (await page.locator(".typed-code").textContent())!;
		await look(page, "office-code");
		const phone = await pageOf(390, 844);
		await phone.goto(`${demo.url}/#enrol=${code}`);
		await phone.getByRole("button", { name: /^Enrol this phone/ }).click();
		await phone.getByRole("heading", { name: "My jobs" }).waitFor();
		await expect(
			fetch(`${demo.url}/witnessmark.v1.DeviceService/Enroll`, {
				method: "POST",
				headers: { "Content-Type": "application/json", "Connect-Protocol-Version": "1" },
				body: JSON.stringify({ code }),
			}).then((r) => r.status),
		).resolves.toBeGreaterThanOrEqual(400);
	});
});

const procedure = (revision: string, instruction: string) => `id: small-day
title: A small day
revision: "${revision}"
description: Two things and a figure.
sections:
  - id: work
    title: Work
    repeat: CONNECTION
    steps:
      - id: clean
        title: Clean the faces
        instruction: ${instruction}
        confirm: {}
      - id: wind
        title: Mean wind
        instruction: Read the mean wind.
        reading:
          quantity: WIND_SPEED
          unit: METERS_PER_SECOND
          limit:
            plain:
              upper: 10
              unit: METERS_PER_SECOND
              source: {standing: COMPANY, document: House rule 4}
`;

/** `ahead` is how far the phone's corrected time is later: two entries of different devices within two minutes are of uncertain order. */
async function submit(job: string, who: Login, entries: object[], ahead = 0): Promise<void> {
	const answer = await call(demo, who, "JobService/SubmitEntries", {
		job,
		entries: entries.map((e) => ({
			entry: { id: uuidv7(), job, author: who.person, deviceTime: new Date(Date.now() + ahead).toISOString(), clockOffset: "0s", ...e },
		})),
	});
	for (const r of answer.results) expect(r.outcome, r.sentence).toBe("ACCEPTED");
}

describe("a job from plan to lock", () => {
	it("is set up by the office, worked, looked at, signed by the lead, and read by the auditor", async () => {
		const page = await pageOf();
		await enter(page, demo, office, false);

		// Two revisions, beside each other.
		for (const [revision, text] of [
			["1", "Clean both faces."],
			["2", "Clean both faces with a dry cloth."],
		] as const) {
			await page.goto(`${demo.url}/office/procedures?r=new`);
			await page.getByLabel("The document").fill(procedure(revision, text));
			await page.getByRole("button", { name: "Check it" }).click();
			await page.getByText("No problem was found").waitFor();
			await page.getByRole("button", { name: "Publish", exact: true }).click();
			await page.getByRole("heading", { name: "A small day" }).waitFor();
		}
		await page.getByLabel("Beside another revision").selectOption({ index: 1 });
		await page
			.locator(".diff .new", { hasText: "dry cloth" })
			.or(page.locator(".diff .gone", { hasText: "dry cloth" }))
			.first()
			.waitFor();
		await look(page, "office-diff");

		// A plan with an error first: it says row and column.
		await page.goto(`${demo.url}/office/new-job`);
		await page.getByLabel("What it is called").fill("Small day on Gannet");
		await page.getByLabel("Procedure").selectOption({
			label: (await page.getByLabel("Procedure").locator("option", { hasText: "A small day · 2" }).first().textContent()) as string,
		});
		await page.getByLabel("Or the table itself").fill("nonsense\n1\n");
		await page.getByRole("button", { name: "Read the plan" }).click();
		await page.getByText(/row 1/).first().waitFor();
		await look(page, "office-plan-errors");
		await page
			.getByLabel("Or the table itself")
			.fill(
				"kind,id,title,line,medium,interface,position\nline,A1,A1,,coax,,\nconnection,A1-top,A1 top,A1,,7-16,behind the antenna\nconnection,A1-foot,A1 foot,A1,,7-16,at the cabinet\n",
			);
		await page.getByRole("button", { name: "Read the plan" }).click();
		await page.getByText(/1 lines?, 2 connections/).waitFor();
		await page.getByRole("checkbox", { name: /Ada/ }).check();
		await page.getByRole("checkbox", { name: /Cleo/ }).check();
		await page.getByRole("button", { name: "Open the job" }).click();
		await page.waitForURL(/\/job\/.+\/review/);
		const job = `jobs/${new URL(page.url()).pathname.split("/")[2]}`;

		// The lead watches; the climber's work comes by itself.
		const desk = await pageOf();
		await enter(desk, demo, lead, true);
		await desk.goto(`${demo.url}/${job.replace("jobs/", "job/")}/review`);
		await desk.getByText("Nothing is left to look at.").first().waitFor();
		await desk.locator(".link-state", { hasText: "live" }).waitFor();
		const reading = (value: number) => ({
			step: "connection:A1-top/work/wind",
			readingTaken: { typed: `${value} m/s`, value, unit: "METERS_PER_SECOND" },
		});
		await submit(job, climber, [{ step: "connection:A1-top/work/clean", confirmed: { outcome: "DONE" } }, reading(12)]);
		await desk.getByRole("button", { name: /A1 top: Mean wind: out of limits/ }).waitFor();
		await look(desk, "lead-out");
		await submit(job, climber, [reading(8), { step: "connection:A1-foot/work/clean", confirmed: { outcome: "DONE" } }]);
		await desk.getByRole("button", { name: /A1 top: Mean wind: out of limits, then within/ }).waitFor();

		// The foot cannot be reached: a deviation, asked and accepted.
		await submit(job, climber, [
			{ step: "connection:A1-foot/work/wind", readingTaken: { typed: "11 m/s", value: 11, unit: "METERS_PER_SECOND" } },
			{ step: "connection:A1-foot/work/wind", deviationAsked: { reason: "measured in the lee" } },
		]);
		await desk.getByRole("button", { name: /A1 foot: Mean wind: deviation asked for/ }).click();
		await desk.getByRole("button", { name: "Accept the deviation" }).click();
		await desk.getByLabel("Why may it stay as it is?").fill("No work is done there today");
		await look(desk, "lead-deviation");
		await desk.locator("form.ask").getByRole("button", { name: "Accept the deviation" }).click();
		await desk.getByRole("button", { name: /A1 foot: Mean wind: deviation accepted/ }).waitFor();
		await submit(job, climber, [{ finished: {} }], 180_000);

		// One after another, by the key; then as one entry into the record.
		await desk.getByRole("heading", { name: /\d+ to look at/ }).waitFor();
		for (let i = 0; i < 30 && (await desk.getByRole("button", { name: /Record \d+ as looked at, then sign off/ }).count()) === 0; i++) {
			await desk.locator(".detail h1").first().waitFor();
			await desk.keyboard.press("l");
			await desk.waitForTimeout(150);
		}
		await desk.getByRole("button", { name: /Record \d+ as looked at, then sign off/ }).click();
		await desk.getByRole("heading", { name: "Sign off" }).waitFor();
		const looked = (await lines(job)).filter((e) => e.lookedAt);
		expect(looked.length, "one entry names all that was looked at").toBe(1);
		expect(looked[0].lookedAt.exceptions.length).toBeGreaterThan(1);

		await desk.getByRole("button", { name: /^Hold to sign/ }).waitFor();
		await look(desk, "lead-sign");
		expect(await desk.locator(".signature").textContent()).toMatch(/Approved with \d+ exceptions/);

		// A line that comes between looking and signing: it is shown, one more hold suffices.
		let between = true;
		await desk.route("**/*JobService/SignOff", async (route) => {
			if (between) await submit(job, climber, [{ note: { text: "Gate closed behind us" } }]);
			between = false;
			await route.continue();
		});
		await hold(desk, /^Hold to sign/);
		await desk.getByText(/new lines came meanwhile/).waitFor();
		await look(desk, "lead-moved");
		await hold(desk, /^Hold to sign/);
		await desk.getByText("SIGNED AND LOCKED").waitFor();
		await look(desk, "lead-locked");
		const got = await call(demo, lead, "JobService/GetJob", { name: job });
		expect(got.state).toBe("LOCKED");
		const signed = (await lines(job)).find((e) => e.signedOff);
		expect(signed.author).toBe(lead.person);
		expect(signed.signedOff.meaning).toBe("APPROVED_WITH_EXCEPTIONS");

		// The office reads it too: evidence, the lines, the readings.
		await page.goto(`${demo.url}/${job.replace("jobs/", "job/")}/review?view=evidence`);
		await page.getByText("UNTOUCHED SINCE SIGN-OFF").waitFor();
		const [csv] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", { name: "Readings as CSV" }).click()]);
		expect(csv.suggestedFilename()).toMatch(/readings\.csv$/);
		const [zip] = await Promise.all([page.waitForEvent("download"), page.getByRole("link", { name: "Get the package" }).click()]);
		expect(await zip.failure()).toBeNull();
	});

	it("goes back to the crew with a reason: the step is open again", async () => {
		const desk = await pageOf();
		await enter(desk, demo, lead, true);
		await desk.goto(`${demo.url}/job/${demo.workJob}/review`);
		await desk.getByRole("button", { name: /B1: Return loss: out of limits/ }).click();
		await desk.keyboard.press("r");
		await desk.getByLabel(/What is to be done again/).fill("Once more, after cleaning");
		await desk.locator("form.ask").getByRole("button", { name: "Send back" }).click();
		await expect
			.poll(async () => (await lines(`jobs/${demo.workJob}`)).flatMap((e) => (e.returnedForRework ? [e.returnedForRework.reason] : [])))
			.toEqual(["Once more, after cleaning"]);
		await desk.goto(`${demo.url}/job/${demo.workJob}/review?view=steps&filter=open`);
		await desk.getByLabel("Line, connection or step").fill("B1 return loss");
		await desk
			.getByRole("button", { name: /Return loss.*sent back/ })
			.first()
			.waitFor();
	});

	it("is not signed when the root computed here differs from the server's", async () => {
		const desk = await pageOf();
		await enter(desk, demo, lead, true);
		await desk.route("**/*JobService/GetJobView", async (route) => {
			const answer = await route.fetch();
			const body = await answer.json();
			body.head.root = Buffer.alloc(32, 7).toString("base64");
			await route.fulfill({ response: answer, json: body });
		});
		let asked = false;
		await desk.route("**/*JobService/SignOff", (route) => {
			asked = true;
			return route.continue();
		});
		await desk.goto(`${demo.url}/job/${demo.workJob}/review?view=sign`);
		await desk.getByText(/The root computed here is/).waitFor();
		expect(await desk.getByRole("button", { name: /^Hold to sign/ }).count()).toBe(0);
		expect(asked).toBe(false);
	});
});

async function lines(job: string): Promise<any[]> {
	const out: any[] = [];
	let after = 0;
	for (;;) {
		const page = await call(demo, lead, "JobService/ListLines", { job, after, pageSize: 500 });
		for (const l of page.lines ?? [])
			out.push(JSON.parse(Buffer.from(JSON.parse(Buffer.from(l.line, "base64").toString()).payload, "base64").toString()));
		if (!page.more) return out;
		after = Number(page.lines.at(-1).seq);
	}
}

/** Holds a button for a second, with the mouse. */
async function hold(page: Page, name: RegExp): Promise<void> {
	const box = (await page.getByRole("button", { name }).boundingBox())!;
	await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
	await page.mouse.down();
	await page.waitForTimeout(1200);
	await page.mouse.up();
}

describe("a job in work, at each size", () => {
	it.each(sizes)("shows the lead every page at %s px", async (size, width, height) => {
		const page = await pageOf(width, height);
		await enter(page, demo, lead, true);
		for (const view of ["look", "steps", "photos", "lines", "sign", "evidence", "more"]) {
			await page.goto(`${demo.url}/job/${demo.workJob}/review?view=${view}`);
			await page.locator("h1, .verdict").first().waitFor();
			await page.waitForTimeout(600);
			await look(page, `lead-${view}-${size}`);
			if (view === "look" && width < 900) {
				await page.getByRole("button", { name: "Look at the first" }).click();
				await look(page, `lead-look-one-${size}`);
			}
		}
	});

	it("opens a photo large, closer and further, by keys, and gives the focus back", async () => {
		const page = await pageOf();
		await enter(page, demo, lead, true);
		await page.goto(`${demo.url}/job/${demo.lockedJob}/review?view=photos`);
		const first = page.locator(".photo button").first();
		await first.locator("img").waitFor();
		await first.focus();
		await page.keyboard.press("Enter");
		await page.locator("dialog.zoom img").waitFor();
		await page.keyboard.press("+");
		await look(page, "lead-zoom");
		const at = await page.locator("dialog.zoom b").textContent();
		await page.keyboard.press("n");
		await expect.poll(() => page.locator("dialog.zoom b").textContent()).not.toBe(at);
		await page.keyboard.press("Escape");
		await expect.poll(() => page.locator("dialog.zoom").count()).toBe(0);
		expect(await first.evaluate((el) => el === document.activeElement)).toBe(true);
	});

	it("is in Spanish and in the night theme too", async () => {
		const page = await pageOf();
		await enter(page, demo, lead, true);
		await page.goto(`${demo.url}/settings`);
		await page.getByRole("button", { name: "Español" }).click();
		await page.getByRole("button", { name: "noche" }).click();
		for (const view of ["look", "sign", "more"]) {
			await page.goto(`${demo.url}/job/${demo.workJob}/review?view=${view}`);
			await page.waitForTimeout(700);
			await look(page, `lead-${view}-es-night`);
		}
	});
});

describe("the auditor", () => {
	it("finds a job, reads steps and lines, and takes the package away", async () => {
		const page = await pageOf();
		await enter(page, demo, auditor, false);
		await page.getByLabel("State").selectOption("3");
		await look(page, "auditor-find");
		await page.locator(".list .row", { hasText: "Sector A" }).first().click();
		await page.getByText("UNTOUCHED SINCE SIGN-OFF").waitFor();
		await look(page, "auditor-evidence");
		await page.getByRole("navigation").getByRole("button", { name: "Steps" }).click();
		await page.getByLabel("Show").selectOption("failed");
		await page.waitForTimeout(300);
		await look(page, "auditor-steps-failed");
		await page.getByLabel("Show").selectOption("all");
		await page.getByRole("button", { name: "A random sample of 10" }).click();
		await page.getByText(/10 at random; the seed \d+/).waitFor();
		await page.getByRole("navigation").getByRole("button", { name: "Lines" }).click();
		await page.getByText("computed here, the same as the server's").waitFor();
		await look(page, "auditor-lines");
		await page.goto(`${demo.url}/office/custody`);
		await page.locator("tbody tr").first().waitFor();
		await look(page, "auditor-custody");
	});

	it("opens a share link, which shows its one job and nothing else", async () => {
		const page = await pageOf(390, 844);
		await page.goto(demo.share);
		await page.locator(".tabs").waitFor();
		expect(page.url()).not.toContain("share=");
		await look(page, "share");
		await page.getByRole("navigation").getByRole("button", { name: "Evidence" }).click();
		const [zip] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", { name: "Get the package" }).click()]);
		expect(zip.suggestedFilename()).toMatch(/\.zip$/);
		await page.reload();
		await page.locator(".tabs").waitFor();
	});

	it("is asked for the code where a link has one", async () => {
		const link = await call(demo, office, "GrantService/CreateShareLink", {
			shareLink: { job: `jobs/${demo.lockedJob}`, title: "With a code", code: "4711" },
		});
		const page = await pageOf(360, 640);
		await page.goto(link.uri);
		await page.getByLabel("The code that came with the link").fill("1234");
		await page.getByRole("button", { name: "Open", exact: true }).click();
		await page.getByText("The code is wrong.").waitFor();
		await look(page, "share-code");
		await page.getByLabel("The code that came with the link").fill("4711");
		await page.getByRole("button", { name: "Open", exact: true }).click();
		await page.locator(".tabs").waitFor();
	});
});
