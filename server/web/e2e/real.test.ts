// The client against the real server and its demonstration.

import { type ChildProcess, execFileSync, spawn } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { Browser } from "playwright-core";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { accessible, context, fits, kept, launch, picture, shot } from "./browser";

interface Demo {
	url: string;
	workJob: string;
	logins: { person: string; role: string; code: string; token: string }[];
}

let browser: Browser;
let server: ChildProcess | undefined;
let demo: Demo;
let folder: string;

beforeAll(async () => {
	browser = await launch();
	folder = mkdtempSync(join(tmpdir(), "witnessmark-web-"));
	const program = join(folder, "witnessmark");
	execFileSync("go", ["build", "-o", program, "./server/cmd/witnessmark"], { cwd: "../..", stdio: ["ignore", "inherit", "inherit"] });
	server = spawn(program, ["demo", "--listen", "127.0.0.1:0", "--json"], { stdio: ["ignore", "pipe", "pipe"] });
	demo = await new Promise<Demo>((ok, fail) => {
		let out = "";
		let errors = "";
		server!.stdout!.on("data", (d: Buffer) => {
			out += d;
			try {
				ok(JSON.parse(out));
			} catch {
				// not whole yet
			}
		});
		server!.stderr!.on("data", (d: Buffer) => {
			errors += d;
		});
		server!.on("exit", (code) => fail(new Error(`the demonstration ended with ${code}: ${errors.slice(-1000)}`)));
	});
	demo.url = demo.url.replace("127.0.0.1", "localhost");
}, 400_000);

afterAll(async () => {
	server?.removeAllListeners("exit");
	server?.kill("SIGTERM");
	await browser?.close();
	if (folder) rmSync(folder, { recursive: true, force: true });
});

/** One call with a person's token. */
async function call<T>(role: string, method: string, body: object): Promise<T> {
	const r = await fetch(`${demo.url}/witnessmark.v1.${method}`, {
		method: "POST",
		headers: {
			"Content-Type": "application/json",
			"Connect-Protocol-Version": "1",
			Authorization: `Bearer ${demo.logins.find((l) => l.role === role)!.token}`,
		},
		body: JSON.stringify(body),
	});
	const text = await r.text();
	if (!r.ok) throw new Error(`${method}: ${r.status} ${text}`);
	return JSON.parse(text) as T;
}

interface Line {
	seq: string;
	payload: string;
	signatures: { keyid: string; sig: string }[];
	assessment?: { verdict?: string; sentence?: string };
}

async function lines(): Promise<{ line: Line; entry: Record<string, any> }[]> {
	const out: { line: Line; entry: Record<string, any> }[] = [];
	for (let more = true, after = "0"; more; ) {
		const page = await call<{ lines?: { seq: string; line: string }[]; more?: boolean }>("lead", "JobService/ListLines", {
			job: `jobs/${demo.workJob}`,
			after,
			pageSize: 1000,
		});
		for (const l of page.lines ?? []) {
			const line = JSON.parse(Buffer.from(l.line, "base64").toString("utf8")) as Line;
			out.push({ line, entry: JSON.parse(Buffer.from(line.payload, "base64").toString("utf8")) });
			after = l.seq;
		}
		more = page.more === true;
	}
	return out;
}

describe("with the real server", () => {
	it("enrols by the QR's link, takes the job, works without coverage, and the server keeps what the phone signed", async () => {
		const c = await context(browser);
		const page = await c.newPage();
		const problems: string[] = [];
		page.on("pageerror", (e) => problems.push(e.message));
		const climber = demo.logins.find((l) => l.role === "climber")!;
		await page.goto(`${demo.url}/#code=${climber.code}`);
		await shot(page, "real-enrol");
		await page.getByRole("button", { name: /Enrol this phone/ }).click();
		await page.getByRole("heading", { name: "My jobs" }).waitFor();
		await page
			.getByRole("button", { name: /^Sector B/ })
			.first()
			.click();
		await page.getByRole("heading", { name: /Ready for no coverage/ }).waitFor();
		await kept(page);
		await page.goto(`${demo.url}/job/${demo.workJob}`);
		await page.locator(".hold, h1").first().waitFor();
		await shot(page, "real-job");
		await fits(page, "real job");
		await accessible(page, "real job");
		const before = await lines();

		// Without coverage: a note, a wind reading, a photo where one is asked.
		await c.setOffline(true);
		await page.goto(`${demo.url}/job/${demo.workJob}/note`);
		await page.locator("textarea").fill("Bird's nest at 40 m, left alone.");
		await page.locator(".foot .primary").click();
		await page.getByText("1 only").waitFor();
		const steps = (await page.evaluate(
			() =>
				new Promise((ok) => {
					const r = indexedDB.open("witnessmark");
					r.onsuccess = () => {
						const q = r.result.transaction("entries").objectStore("entries").getAll();
						q.onsuccess = () => ok(q.result.length);
					};
				}),
		)) as number;
		expect(steps).toBe(1);
		const wind = before.map((l) => l.entry.step as string | undefined).find((s) => s?.endsWith("/wind"));
		expect(wind).toBeDefined();
		await page.goto(`${demo.url}/job/${demo.workJob}/step?step=${encodeURIComponent(wind!)}`);
		await page.locator(".foot .primary").click();
		await page.locator(".keys").waitFor();
		for (const k of "6.4") await page.locator(".keys").getByRole("button", { name: k, exact: true }).click();
		await shot(page, "real-keypad");
		await page.locator(".foot .primary").click();
		await page.getByText("WITHIN LIMITS").waitFor();
		await shot(page, "real-verdict");

		const photo = await call<{ steps?: { id: string; state?: string }[] }>("lead", "JobService/ListSteps", {
			job: `jobs/${demo.workJob}`,
			pageSize: 1000,
		});
		const view = await call<{ procedure: { sections: { id: string; steps: { id: string; photo?: object }[] }[] } }>(
			"lead",
			"JobService/GetJobView",
			{ name: `jobs/${demo.workJob}` },
		);
		const asks = new Set(view.procedure.sections.flatMap((s) => s.steps.filter((x) => x.photo).map((x) => `${s.id}/${x.id}`)));
		const open = photo.steps?.find((s) => s.state === "OPEN" && asks.has(s.id.split("/").slice(1).join("/")));
		expect(open, "the demonstration has an open photo step").toBeDefined();
		await page.goto(`${demo.url}/job/${demo.workJob}/step?step=${encodeURIComponent(open!.id)}`);
		await page.locator("#camera").setInputFiles({ name: "x.jpg", mimeType: "image/jpeg", buffer: await picture(page, 11, 2600) });
		await page.getByRole("heading", { name: /Is it sharp/ }).waitFor();
		await page
			.locator(".foot")
			.getByRole("button", { name: /keep it/i })
			.click();
		await page.locator(".only", { hasText: "4 only" }).waitFor();

		await c.setOffline(false);
		await page.goto(`${demo.url}/unsent`);
		await page.locator(".only", { hasText: "all sent" }).waitFor({ timeout: 30_000 });
		const after = (await lines()).slice(before.length);
		const mine = after.filter((l) => l.entry.author === climber.person && l.entry.device);
		expect(mine.map((l) => Object.keys(l.entry).find((k) => /note|Taken|Attached/.test(k)))).toEqual([
			"note",
			"readingTaken",
			"photoAttached",
		]);
		for (const l of mine) expect(l.line.signatures.length, "signed by the phone").toBe(1);
		const reading = mine.find((l) => l.entry.readingTaken)!;
		expect(reading.line.assessment?.verdict).toBe("PASS");
		await expect.poll(async () => (await lines()).some((l) => l.entry.photoReceived), { timeout: 20_000 }).toBe(true);
		expect(problems).toEqual([]);
		await c.close();
	});

	it("shows a code that was used as not taken, with the server's reason", async () => {
		const c = await context(browser);
		const page = await c.newPage();
		await page.goto(`${demo.url}/#code=${demo.logins.find((l) => l.role === "climber")!.code}`);
		await page.getByRole("button", { name: /Enrol this phone/ }).click();
		await page.getByText(/The code was not taken/).waitFor();
		await c.close();
	});
});
