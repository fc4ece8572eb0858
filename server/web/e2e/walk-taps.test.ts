// How many touches one connection takes, by the screens alone: clean, inspect,
// torque, mark, photos and two readings. Digits are not counted, nor what the
// system's own camera asks for. The bound is this project's own.

import { afterAll, beforeAll, expect, it } from "vitest";
import { launch, picture, SMALL, TALL } from "./browser";
import { folder, Link, Phone, Real, snapshot } from "./never-lose";

/** Most touches for one connection of the demonstration, readings included. */
const MOST = 36;
const dir = folder();
let real: Real;
let base: Buffer;

beforeAll(async () => {
	const browser = await launch();
	base = await picture(await browser.newPage(), 9, 700);
	await browser.close();
	real = await new Real(dir.path).begin();
}, 400_000);

afterAll(async () => {
	await real?.kill();
	dir.remove();
});

for (const [size, connection, line] of [
	[TALL, "B2-top", "B2"],
	[SMALL, "B2-base", "B2"],
] as const) {
	it(`does ${connection} at ${size.width} × ${size.height} with few touches`, { timeout: 120_000 }, async () => {
		const link = await new Link(real).start();
		const phone = await new Phone(connection, `${dir.path}/${connection}`, link.url, size).launch();
		try {
			await phone.enrol(await real.code("people/ada"));
			await phone.takeJob(/^Sector B/);
			await phone.open(`/job/${real.job}/step?step=${encodeURIComponent(`connection:${connection}/clean/tones-off`)}`);
			const { page } = phone;
			const touches: string[] = [];
			const here = () => new URL(page.url()).searchParams.get("step") ?? "";
			let shots = 0;
			const work = async (inside: (step: string) => boolean) => {
				for (let i = 0; i < 80 && inside(here()); i++) {
					await page.locator(".foot button, .choices.tall button").first().waitFor();
					const step = here().split("/").slice(1).join("/");
					const option = page.locator(".choices.tall button").first();
					const row = page.locator(".list button.row").first();
					const primary = page.locator(".foot .primary");
					const label = (await primary.count()) > 0 ? ((await primary.first().textContent()) ?? "") : "";
					if (await option.isVisible()) {
						touches.push(`${step}: ${await option.textContent()}`);
						await option.click();
					} else if (await page.locator(".keys").isVisible()) {
						const limit = step.endsWith("intermodulation") ? "165.2" : step.endsWith("torque") ? "27" : "22.4";
						for (const k of limit) await page.locator(".keys").getByRole("button", { name: k, exact: true }).click();
						touches.push(`${step}: ${label}`);
						await primary.click();
					} else if (/^Back/.test(label) && (await row.isVisible())) {
						touches.push(`${step}: ${await row.textContent()}`);
						await row.click();
					} else if (await page.getByRole("heading", { name: /Is it sharp/ }).isVisible()) {
						const keep = phone.foot(/keep it/i);
						await keep.waitFor();
						touches.push(`${step}: ${await keep.textContent()}`);
						await keep.click();
						await page.getByRole("heading", { name: /Is it sharp/ }).waitFor({ state: "detached" });
					} else if (/^Take the photo/.test(label)) {
						touches.push(`${step}: ${label}`);
						await page
							.locator("#camera")
							.setInputFiles({ name: "x.jpg", mimeType: "image/jpeg", buffer: snapshot(base, ++shots * 31 + size.width, 90_000) });
						await page.getByRole("heading", { name: /Is it sharp/ }).waitFor();
					} else {
						touches.push(`${step}: ${label}`);
						await primary.click();
					}
					await page.waitForTimeout(350);
					const last = touches.slice(-4);
					if (last.length === 4 && new Set(last).size === 1)
						throw new Error(`it goes nowhere: ${touches.join("\n")}\n${await page.locator("body").textContent()}`);
				}
			};
			// In the order of the work, where 'next' leads; a gate of the climb that is open in the demonstration would come between.
			const steps = ["clean/tones-off", "clean/inspect", "clean/photo-before", "clean/wipe", "clean/inspect-again", "clean/photo-after"]
				.concat(["couple/mate", "couple/torque", "couple/mark", "couple/photos", "couple/seal"])
				.map((s) => `connection:${connection}/${s}`)
				.concat(["intermodulation", "return-loss"].map((s) => `line:${line}/test/${s}`));
			for (const step of steps) {
				await phone.go(`/job/${real.job}/step?step=${encodeURIComponent(step)}`);
				await page.waitForTimeout(350);
				await work((s) => s === step);
			}
			console.info(`${connection} at ${size.width} × ${size.height}: ${touches.length} touches\n${touches.join("\n")}`);
			expect(shots, "photos").toBeGreaterThan(0);
			expect(touches.length, touches.join("\n")).toBeLessThanOrEqual(MOST);
		} finally {
			await phone.kill();
			await link.stop();
		}
	});
}
