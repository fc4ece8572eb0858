// The real server with its invented organisation, for the desk's tests.

import { type ChildProcess, spawn } from "node:child_process";
import type { Browser, BrowserContext, Page } from "playwright-core";

export interface Login {
	person: string;
	title: string;
	role: string;
	code: string;
	link: string;
	token: string;
}

export interface Demo {
	url: string;
	logins: Login[];
	share: string;
	workJob: string;
	lockedJob: string;
	stop(): void;
}

/** Starts the program on a free port; WITNESSMARK_BINARY names one that is built already. */
export function startDemo(): Promise<Demo> {
	const built = process.env.WITNESSMARK_BINARY;
	const args = ["demo", "--listen", "127.0.0.1:0", "--json"];
	const child: ChildProcess = built
		? spawn(built, args, { stdio: ["ignore", "pipe", "pipe"], detached: true })
		: spawn("go", ["run", "./server/cmd/witnessmark", ...args], { cwd: "../..", stdio: ["ignore", "pipe", "pipe"], detached: true });
	const stop = () => {
		try {
			process.kill(-child.pid!, "SIGTERM"); // go run and the program that it started
		} catch {
			// it has ended
		}
	};
	return new Promise((ok, bad) => {
		let out = "";
		let err = "";
		child.stderr!.on("data", (b) => {
			err += b;
		});
		child.stdout!.on("data", (b) => {
			out += b;
			try {
				const d = JSON.parse(out) as Omit<Demo, "stop">;
				ok({ ...d, stop });
			} catch {
				// more is to come
			}
		});
		child.on("exit", (code) => bad(new Error(`the server ended with ${code}: ${err}`)));
	});
}

export const loginOf = (d: Demo, role: string): Login => d.logins.find((l) => l.role === role)!;

/** Calls an RPC by its JSON form, as a person. */
export async function call(d: Demo, who: Login, method: string, body: unknown): Promise<any> {
	const answer = await fetch(`${d.url}/witnessmark.v1.${method}`, {
		method: "POST",
		headers: { "Content-Type": "application/json", "Connect-Protocol-Version": "1", Authorization: `Bearer ${who.token}` },
		body: JSON.stringify(body),
	});
	const got = await answer.json();
	if (!answer.ok) throw new Error(`${method}: ${JSON.stringify(got)}`);
	return got;
}

/** A fresh one-time code for a person, made by the office. */
export async function codeFor(d: Demo, person: string): Promise<string> {
	return (await call(d, loginOf(d, "office"), "DeviceService/CreateEnrollmentCode", { person })).code;
}

export async function wide(browser: Browser, width = 1280, height = 800): Promise<BrowserContext> {
	const c = await browser.newContext({
		viewport: { width, height },
		locale: "en-GB",
		timezoneId: "Europe/Madrid",
		acceptDownloads: true,
		serviceWorkers: "block",
	});
	c.setDefaultTimeout(15_000);
	return c;
}

/** Enrols with a key, or signs in at a desk without one. */
export async function enter(page: Page, d: Demo, who: Login, key: boolean): Promise<void> {
	await page.goto(`${d.url}/#enrol=${await codeFor(d, who.person)}`);
	await page.getByRole("button", { name: key ? /^Enrol this phone/ : /^Only sign in/ }).click();
	await page
		.getByRole("heading", { name: key ? "My jobs" : "Jobs" })
		.first()
		.waitFor();
}
