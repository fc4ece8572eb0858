// The phone never loses anything: each interruption for real, against the real
// server, with the browser as a process that is killed.

import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, it } from "vitest";
import { launch, picture } from "./browser";
import { folder, keptOnce, Link, Phone, Real, sha256, snapshot, until } from "./never-lose";

const DAY = 24 * 3600_000;
const JOB = /^Sector B/;
const dir = folder();
let real: Real;
let link: Link;
let phone: Phone;
let base: Buffer;
let number = 0;

beforeAll(async () => {
	const browser: Browser = await launch();
	base = await picture(await browser.newPage(), 7, 700);
	await browser.close();
	real = await new Real(dir.path).begin();
}, 400_000);

afterAll(async () => {
	await leave();
	await real?.kill();
	dir.remove();
});

// One phone for all tests, so that what it carries grows; a new one where a test leaves it without its session or failed.
let fresh = true;

beforeEach(async () => {
	if (!fresh) {
		link.weather = "up";
		link.cutChunk = 0;
		link.patch = undefined;
		link.forget();
		await phone.setClock(0);
		await phone.open(`/job/${real.job}`);
		return;
	}
	fresh = false;
	link = await new Link(real).start();
	phone = await new Phone(`phone ${++number}`, `${dir.path}/profile-${number}`, link.url).launch();
	await phone.enrol(await real.code("people/ada"));
	await phone.takeJob(JOB);
	await phone.open(`/job/${real.job}`);
});

afterEach(async (test) => {
	if (test.task.result?.state === "fail") fresh = true;
	if (fresh) await leave();
	expect(phone.problems).toEqual([]);
});

const leave = async () => {
	await phone?.kill();
	await link?.stop();
};

const photoStep = (i: number) => `connection:B2-${i % 2 ? "top" : "base"}/clean/photo-${i % 4 < 2 ? "before" : "after"}`;
const shot = (size = 300_000) => snapshot(base, ++number * 7919, size);

describe("the line", () => {
	it("is cut in a photo, in its middle too: it goes on where the server is, and the bytes are the same", async () => {
		link.cutChunk = 2;
		const bytes = shot(1_300_000);
		await phone.photo(real.job, photoStep(1), bytes);
		await phone.check();
		await until("a chunk was cut", () => link.cutChunk === 0);
		link.weather = "cut";
		await phone.note(real.job, "cut off");
		await phone.check();
		link.weather = "up";
		await phone.sendAll();
		await keptOnce(real, [phone]);
		// Base64 makes three bytes four; what was cut goes again, the rest does not.
		expect(link.chunkBytes, "bytes of chunks").toBeLessThan((bytes.length * 4) / 3 + 4 * 350_000);
	});

	it("loses every answer: what the server did twice stands once", async () => {
		link.weather = "swallow";
		for (let i = 0; i < 3; i++) await phone.note(real.job, `swallowed ${number} ${i}`);
		await phone.photo(real.job, photoStep(2), shot());
		await phone.check();
		await until(
			"the server has the notes",
			async () => (await real.lines()).filter((l) => l.entry.note?.text.startsWith(`swallowed`)).length >= 3,
		);
		expect((await phone.stored()).entries.filter((e) => e.state === "here").length, "entries without a receipt").toBe(4);
		link.weather = "up";
		await phone.sendAll();
		await keptOnce(real, [phone]);
	});

	it("is half open: calls that hang are given up, and the queue goes on by itself", async () => {
		link.weather = "stall";
		await phone.note(real.job, "into nothing");
		await phone.photo(real.job, photoStep(3), shot());
		await phone.check();
		await until("a call hangs", () => link.asked.some((p) => p.endsWith("/SubmitEntries")));
		link.weather = "up"; // what hangs is left hanging
		await until("all is sent without a touch", async () => (await phone.page.locator(".only").textContent())?.includes("all sent"), 60_000);
		await keptOnce(real, [phone]);
	});

	for (const weather of ["portal", "gate"] as const) {
		it(`is taken by a ${weather === "portal" ? "captive portal that answers 200 with a page" : "proxy that answers 401 with a page"}: nothing is taken for the server's word`, async () => {
			link.weather = weather;
			await phone.note(real.job, `at the ${weather}`);
			await phone.photo(real.job, photoStep(4), shot());
			await phone.check();
			await until("it was tried", () => link.asked.filter((p) => p.endsWith("/SubmitEntries")).length > 1);
			await phone.page.reload();
			await phone.page.locator(".where").waitFor();
			expect(await phone.page.getByText(/Signed out by the server/).count(), "signed out by a stranger").toBe(0);
			await phone.check();
			link.weather = "up";
			await phone.sendAll();
			await keptOnce(real, [phone]);
		});
	}

	it("comes back as a portal while a new version is fetched: the client that works stays", async () => {
		link.patch = (path, body) => {
			if (path === "/sw.js") return Buffer.from(body.toString().replace(/const VERSION = "[0-9a-f]+"/, 'const VERSION = "half-come"'));
			return path.startsWith("/assets/") || path === "/" ? Buffer.from("<!doctype html><title>Guest network</title>") : body;
		};
		await phone.page.evaluate(async () => (await navigator.serviceWorker.getRegistration())!.update().catch(() => undefined));
		await phone.page.waitForTimeout(1500);
		const state = await phone.page.evaluate(async () => ({
			waiting: (await navigator.serviceWorker.getRegistration())!.waiting !== null,
			caches: (await caches.keys()).filter((n) => n.startsWith("client-")),
		}));
		// A portal gives its own headers, not the server's: what is told apart here is the content.
		expect(state.waiting, "a version with foreign pages waits").toBe(false);
		link.patch = undefined;
		link.weather = "cut";
		await phone.open(`/job/${real.job}/note`);
		await phone.page.locator("textarea").waitFor();
	});
});

describe("a process ends", () => {
	it("the browser at once after 'saved', without coverage: all of it is there, byte for byte", async () => {
		link.weather = "cut";
		const mark = `killed ${number}`;
		for (let i = 0; i < 3; i++) await phone.note(real.job, `${mark} ${i}`);
		const bytes = shot();
		await phone.photo(real.job, photoStep(5), bytes);
		await phone.kill();
		await phone.launch();
		await phone.open(`/job/${real.job}`);
		const now = await phone.stored();
		expect(now.entries.filter((e) => e.payload.includes(mark)).length, "notes after the kill").toBe(3);
		expect(now.files.find((f) => f.digest === sha256(bytes))?.entry, "the photo's entry after the kill").not.toBe("");
		await phone.check();
		link.weather = "up";
		await phone.sendAll();
		await keptOnce(real, [phone]);
	});

	it("the browser in the middle of an upload: the rest goes on from the server's offset", async () => {
		const bytes = shot(2_500_000);
		await phone.photo(real.job, photoStep(6), bytes);
		await until("an upload is on its way", () => link.asked.filter((p) => p.endsWith("/UploadChunk")).length >= 3);
		await phone.kill();
		const before = link.asked.filter((p) => p.endsWith("/UploadChunk")).length;
		await phone.launch();
		await phone.open("/unsent");
		await phone.check();
		await phone.sendAll();
		const after = link.asked.filter((p) => p.endsWith("/UploadChunk")).length - before;
		expect(after, "chunks after the kill").toBeLessThan(Math.ceil(bytes.length / 262_144));
		await keptOnce(real, [phone]);
	});

	it("the server in the middle of an upload and of a batch: the same data go on", async () => {
		const bytes = shot(2_500_000);
		await phone.photo(real.job, photoStep(7), bytes);
		await until("an upload is on its way", () => link.asked.filter((p) => p.endsWith("/UploadChunk")).length >= 3);
		await real.kill();
		await phone.note(real.job, "while the server is down");
		await phone.check();
		await real.start();
		await phone.sendAll();
		await keptOnce(real, [phone]);
	});

	it("the page while the camera is open, and while the picture is looked at: it comes back to the same step", async () => {
		link.weather = "cut";
		const step = photoStep(8);
		await phone.go(`/job/${real.job}/step?step=${encodeURIComponent(step)}`);
		await phone.page.locator("#camera").waitFor({ state: "attached" });
		await phone.page.waitForTimeout(300);
		await phone.kill();
		await phone.launch();
		await phone.open("/");
		await phone.page.locator("#camera").waitFor({ state: "attached" });
		expect(decodeURIComponent(phone.page.url())).toContain(step);
		const bytes = shot();
		await phone.page.locator("#camera").setInputFiles({ name: "x.jpg", mimeType: "image/jpeg", buffer: bytes });
		await phone.page.getByRole("heading", { name: /Is it sharp/ }).waitFor();
		await phone.kill();
		await phone.launch();
		await phone.open("/");
		await phone.keep(bytes);
		await phone.check();
		link.weather = "up";
		await phone.sendAll();
		await keptOnce(real, [phone]);
	});
});

describe("the phone is full", () => {
	it("says so, keeps what it has, still opens, still sends, and takes readings again", async () => {
		link.weather = "cut";
		await phone.note(real.job, "before it was full");
		await phone.photo(real.job, photoStep(9), shot(900_000));
		await phone.check();
		const step = `/job/${real.job}/step?step=${encodeURIComponent(photoStep(10))}`;
		await phone.quota(1, step);
		await phone.page.locator("#camera").setInputFiles({ name: "x.jpg", mimeType: "image/jpeg", buffer: shot(4_000_000) });
		await phone.page.getByText(/NOT SAVED/).waitFor();
		await phone.check();
		// A cold start of a phone that has no room at all. What cannot be saved is said to be not saved, and stays in the field.
		await phone.quota(1, `/job/${real.job}/note`);
		await phone.page.locator("textarea").fill("when it was full");
		await phone.page.locator(".foot .primary").click();
		await phone.page.getByText(/NOT SAVED/).waitFor();
		expect(await phone.page.locator("textarea").inputValue(), "what was typed").toBe("when it was full");
		await phone.check();
		link.weather = "up";
		await phone.quota(undefined, `/job/${real.job}`);
		await phone.note(real.job, "room again");
		await phone.sendAll();
		await phone.check();
		await keptOnce(real, [phone]);
	});
});

describe("the clock", () => {
	it("is a week ahead, is set back, and a week passes without network: all goes in one order, and is sent at once", async () => {
		link.weather = "cut";
		await phone.note(real.job, "in time");
		await phone.setClock(7 * DAY);
		await phone.note(real.job, "a week ahead");
		await phone.setClock(-40 * DAY);
		await phone.note(real.job, "forty days back");
		await phone.setClock(0);
		await phone.kill();
		await phone.launch();
		await phone.setClock(7 * DAY);
		await phone.open(`/job/${real.job}`);
		await phone.note(real.job, "after a week");
		await phone.photo(real.job, photoStep(11), shot());
		await phone.check();
		link.weather = "up";
		await phone.sendAll();
		await keptOnce(real, [phone]);
	});

	it("was ahead when the server asked to wait: set right again, nothing waits for that day", async () => {
		link.weather = "cut";
		await phone.note(real.job, "asked to wait");
		const id = (await phone.stored()).entries.find((e) => e.payload.includes("asked to wait"))!.id;
		await waitFor(phone.page, id, Date.now() + 30 * DAY);
		link.weather = "up";
		await phone.page.reload();
		await phone.page.locator(".where").waitFor();
		await phone.check();
		await phone.sendAll();
		await keptOnce(real, [phone]);
	});
});

/** Writes what a temporary refusal writes on a phone whose clock is ahead. */
function waitFor(page: Page, id: string, notBefore: number): Promise<void> {
	return page.evaluate(
		({ id, notBefore }) =>
			new Promise<void>((ok, fail) => {
				const r = indexedDB.open("witnessmark");
				r.onerror = () => fail(r.error);
				r.onsuccess = () => {
					const tx = r.result.transaction("entries", "readwrite");
					const get = tx.objectStore("entries").get(id);
					get.onsuccess = () => tx.objectStore("entries").put({ ...get.result, notBefore });
					tx.oncomplete = () => {
						r.result.close();
						ok();
					};
					tx.onerror = () => fail(tx.error);
				};
			}),
		{ id, notBefore },
	);
}

describe("the session", () => {
	it("ends on the tower: recording goes on, a wrong code changes nothing, and a new code sends all of it", async () => {
		link.weather = "cut";
		await phone.note(real.job, "before the end");
		await phone.check();
		const token = await phone.page.evaluate(
			() =>
				new Promise<string>((ok) => {
					const r = indexedDB.open("witnessmark");
					r.onsuccess = () => {
						const q = r.result.transaction("kept").objectStore("kept").get("session");
						q.onsuccess = () => {
							r.result.close();
							ok(q.result.token);
						};
					};
				}),
		);
		const ended = await fetch(`http://127.0.0.1:${real.port}/witnessmark.v1.DeviceService/SignOut`, {
			method: "POST",
			headers: { "Content-Type": "application/json", "Connect-Protocol-Version": "1", Authorization: `Bearer ${token}` },
			body: "{}",
		});
		expect(ended.status).toBe(200);
		link.weather = "up";
		await phone.go("/unsent");
		await phone.foot(/Try now/).click();
		await phone.page
			.getByText(/The session has ended/)
			.first()
			.waitFor();
		await phone.open(`/job/${real.job}`);
		await phone.page
			.getByText(/Signed out by the server/)
			.first()
			.waitFor();
		await phone.page.getByLabel("Code").fill("AAAA-BBBB-CCCC-DDDD");
		await phone.foot(/Enrol this phone/).click();
		await phone.page.getByText(/The code was not taken/).waitFor();
		await phone.page.getByRole("button", { name: /Go on recording/ }).click();
		await phone.note(real.job, "signed with the key that the server knows");
		await phone.check();
		await phone.enrol(await real.code("people/ada"));
		await phone.note(real.job, "under the new key");
		await phone.sendAll();
		await phone.check();
		expect((await phone.stored()).entries.filter((e) => e.state === "refused")).toEqual([]);
		await keptOnce(real, [phone]);
	});

	it("of a lost phone is revoked: what its key signed is refused, stays on the phone, and the server keeps it aside", async () => {
		fresh = true; // the next test gets a phone of its own
		link.weather = "cut";
		await phone.note(real.job, "of the lost phone");
		await phone.check();
		const { id, device } = (await phone.stored()).entries.find((e) => e.payload.includes("of the lost phone"))!;
		await real.call("office", "DeviceService/RevokeDevice", { name: device, reason: "lost" });
		link.weather = "up";
		await phone.enrol(await real.code("people/ada"));
		await phone.note(real.job, "of the phone that was found");
		await until("the old entry is refused", async () => (await phone.stored()).entries.find((e) => e.id === id)?.state === "refused");
		await phone.check();
		expect((await phone.stored()).entries.find((e) => e.id === id)!.keptAside).toBe(true);
		await phone.sendAll();
		await keptOnce(real, [phone], new Set([id]));
		await phone.go("/unsent");
		await phone.page.getByText(/Not taken by the server/).waitFor();
	});
});

describe("one bad entry", () => {
	it("stops no other, stays with its reason, and is in the file that the phone saves", async () => {
		fresh = true; // the next test gets a phone of its own
		link.weather = "cut";
		await phone.note(real.job, "before the bad one");
		await phone.note(real.job, "the bad one");
		await phone.note(real.job, "after the bad one");
		await phone.check();
		const bad = (await phone.stored()).entries.find(
			(e) => e.payload.includes("the bad one") && !e.payload.includes("before") && !e.payload.includes("after"),
		)!;
		// A signature that does not fit: as a damaged key would leave it.
		await phone.page.evaluate(
			(id) =>
				new Promise<void>((ok, fail) => {
					const r = indexedDB.open("witnessmark");
					r.onsuccess = () => {
						const tx = r.result.transaction("entries", "readwrite");
						const get = tx.objectStore("entries").get(id);
						get.onsuccess = () => tx.objectStore("entries").put({ ...get.result, signature: new Uint8Array(64).fill(7) });
						tx.oncomplete = () => {
							r.result.close();
							ok();
						};
						tx.onerror = () => fail(tx.error);
					};
				}),
			bad.id,
		);
		link.weather = "up";
		await phone.go("/unsent");
		await phone.foot(/Try now/).click();
		await until("the others are sent", async () => (await phone.stored()).entries.filter((e) => e.state === "here").length === 0);
		await phone.check();
		const now = (await phone.stored()).entries.find((e) => e.id === bad.id)!;
		expect(now.state).toBe("refused");
		expect(now.reason).not.toBe("");
		await keptOnce(real, [phone], new Set([bad.id]));
		await phone.page.getByText(/Not taken by the server/).waitFor();
		await phone.page.getByText(now.reason).waitFor();
	});
});

describe("the client", () => {
	it("is updated with a full outbox only after it was sent, and the database stays", async () => {
		link.patch = (path, body) =>
			path === "/sw.js" ? Buffer.from(body.toString().replace(/const VERSION = "[0-9a-f]+"/, 'const VERSION = "newer"')) : body;
		await phone.page.evaluate(async () => void (await (await navigator.serviceWorker.getRegistration())!.update()));
		await until("a new version waits", () =>
			phone.page.evaluate(async () => (await navigator.serviceWorker.getRegistration())!.waiting !== null),
		);
		link.weather = "cut";
		for (let i = 0; i < 5; i++) await phone.note(real.job, `full outbox ${number} ${i}`);
		await phone.photo(real.job, photoStep(12), shot());
		await phone.check();
		await phone.go(`/job/${real.job}`);
		await phone.page.locator(".stop-work").waitFor();
		await phone.open("/");
		await phone.page.getByRole("heading", { name: "My jobs" }).waitFor();
		expect(await phone.foot(/A new version is ready/).count(), "offered with unsent entries").toBe(0);
		// All the same it may come: another window of it, or the system, lets the new worker in.
		await Promise.all([
			phone.page.waitForEvent("load"),
			phone.page.evaluate(async () => (await navigator.serviceWorker.getRegistration())!.waiting!.postMessage("skip-waiting")),
		]);
		await phone.page.locator(".where").waitFor();
		await phone.check();
		await phone.open(`/job/${real.job}`);
		link.weather = "up";
		await phone.sendAll();
		await keptOnce(real, [phone]);
	});

	it("in two windows writes from one; when the first dies the second goes on, and nothing is made twice", async () => {
		link.weather = "cut";
		await phone.note(real.job, "in the first window");
		await phone.check();
		const first = phone.page;
		const second = await phone.context.newPage();
		await second.goto(`${link.url}/job/${real.job}/note`);
		await second.getByText(/Open in another window/).waitFor();
		await second.locator("textarea").fill("in the second window, too early");
		await second.locator(".foot .primary").click();
		await second.getByText(/NOT SAVED/).waitFor();
		await first.close();
		await phone.take(second);
		await second.getByText(/Open in another window/).waitFor({ state: "detached" });
		await phone.check();
		expect((await phone.stored()).entries.filter((e) => e.payload.includes("too early"))).toEqual([]);
		await phone.note(real.job, "in the second window");
		await phone.check();
		link.weather = "up";
		await phone.sendAll();
		await keptOnce(real, [phone]);
	});

	it("opens cold from the phone alone, on a deep link, with the server gone", async () => {
		fresh = true; // the next test gets a phone of its own
		link.weather = "cut";
		await phone.note(real.job, "before the cold start");
		await phone.kill();
		await link.stop();
		await phone.launch();
		await phone.open(`/job/${real.job}/step?step=${encodeURIComponent(photoStep(13))}`);
		await phone.page.locator("#camera").waitFor({ state: "attached" });
		await phone.check();
		expect([...phone.saved.values()].length).toBeGreaterThan(0);
		expect(sha256(Buffer.from((await phone.stored()).entries[0]!.payload))).toBe([...phone.saved.values()][0]);
	});
});
