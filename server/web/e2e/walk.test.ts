// Two phones and a walk of chance: hundreds of acts through the screens, and
// between them cut, stalled and taken lines, killed browsers, a killed server
// and set clocks. At the end each entry and photo that a phone has ever shown
// as saved stands on the real server exactly once, byte for byte.
//
// WITNESSMARK_WALK: how many steps (default 60). WITNESSMARK_WALK_SEED: another walk.

import { afterAll, beforeAll, expect, it } from "vitest";
import { launch, picture } from "./browser";
import { folder, keptOnce, Link, Phone, Real } from "./never-lose";
import { chance, Walk, type Walker } from "./walk";

const STEPS = Number(process.env.WITNESSMARK_WALK ?? 60);
const SEED = Number(process.env.WITNESSMARK_WALK_SEED ?? 20260303);
const dir = folder();
let real: Real;
let base: Buffer;
const walkers: Walker[] = [];

beforeAll(async () => {
	const browser = await launch();
	base = await picture(await browser.newPage(), 5, 300);
	await browser.close();
	real = await new Real(dir.path).begin();
	for (const name of ["first", "second"]) {
		const link = await new Link(real).start();
		const phone = await new Phone(`${name} phone`, `${dir.path}/${name}`, link.url).launch();
		walkers.push({ phone, link, shown: 0, perhaps: 0 });
		await phone.enrol(await real.code("people/ada"));
		await phone.takeJob(/^Sector B/);
		await phone.open(`/job/${real.job}`);
	}
}, 400_000);

afterAll(async () => {
	for (const w of walkers) {
		await w.phone.kill();
		await w.link.stop();
	}
	await real?.kill();
	dir.remove();
});

it(`loses nothing in a walk of ${STEPS} steps from seed ${SEED}`, { timeout: 120_000 + STEPS * 2_000 }, async () => {
	const climbs = (await real.call<{ climbs: { id: string }[] }>("lead", "JobService/GetJobView", { name: `jobs/${real.job}` })).climbs;
	const walk = new Walk(chance(SEED), real, base, climbs[0]!.id, SEED);
	try {
		for (let i = 0; i < STEPS; i++) await walk.step(walkers);
		for (const w of walkers) {
			w.link.weather = "up";
			w.link.cutChunk = 0;
			w.link.drop();
			await w.phone.setClock(0);
			await walk.look(w);
		}
		for (const w of walkers) await w.phone.sendAll();
		for (const w of walkers) {
			await walk.look(w);
			const stored = await w.phone.stored();
			expect(
				stored.entries.filter((e) => e.state !== "sent").map((e) => `${e.kind} ${e.state} ${e.reason}`),
				w.phone.name,
			).toEqual([]);
			expect(
				stored.files.filter((f) => f.entry !== "" && f.state !== "sent").map((f) => `${f.digest} ${f.state} ${f.reason}`),
				w.phone.name,
			).toEqual([]);
			expect(
				stored.files.reduce((n, f) => n + (f.entry ? f.present : 0), 0),
				"pieces that the phone still holds",
			).toBe(0);
			expect(w.phone.problems).toEqual([]);
		}
		await keptOnce(
			real,
			walkers.map((w) => w.phone),
		);
		const c = walk.counts;
		const entries = walkers.reduce((n, w) => n + w.phone.saved.size, 0);
		const photos = walkers.reduce((n, w) => n + w.phone.photos.size, 0);
		console.info(
			`walk from seed ${SEED}: ${STEPS} steps, ${c.actions} acts (${[...c.kinds].map(([k, n]) => `${n} ${k}`).join(", ")}), ${entries} entries and ${photos} files, ` +
				`${c.kills} kills of a browser, ${c.serverKills} of the server, ${c.reloads} reloads, ${c.jumps} set clocks, ${c.weather} changes of a line: each once on the server`,
		);
		// The walk is of use only when all of it happened.
		if (STEPS >= 200) for (const n of [c.kills, c.serverKills, c.reloads, c.jumps, photos]) expect(n).toBeGreaterThan(0);
	} catch (error) {
		throw new Error(
			`WITNESSMARK_WALK_SEED=${SEED} WITNESSMARK_WALK=${STEPS}, after step ${walk.steps.length}: ${error instanceof Error ? error.message : error}\nlast: ${walk.steps.slice(-12).join("; ")}`,
			{ cause: error },
		);
	}
});
