import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { catalogues, text } from ".";
import { leadEn } from "./lead.en";
import { leadEs } from "./lead.es";

const words = (s: string) => [...s.matchAll(/\{([a-z]+)\}/g)].map((m) => m[1]).sort();
const english = { ...catalogues.en, ...leadEn };
const spanish = { ...catalogues.es, ...leadEs };

describe("the catalogues", () => {
	it("have the same keys, none empty, with the same words to fill in", () => {
		expect(Object.keys(spanish).sort()).toEqual(Object.keys(english).sort());
		for (const key of Object.keys(english) as (keyof typeof english)[]) {
			expect(english[key].trim(), key).not.toBe("");
			expect(spanish[key].trim(), key).not.toBe("");
			expect(words(spanish[key]), key).toEqual(words(english[key]));
		}
	});

	it("are translated, not copied: only names and symbols are the same", () => {
		const same = (Object.keys(english) as (keyof typeof english)[]).filter(
			(k) => english[k] === spanish[k] && /[a-z]{4}/i.test(english[k].replace(/\{[a-z]+\}/g, "")),
		);
		expect(same).toEqual(["app", "find.sector", "role.AUDITOR", "plan.title"]);
	});

	it("never say that anything is safe, or that anyone may go", () => {
		for (const [key, s] of Object.entries({ ...english })) expect(/\bsafe\b|\byou may go\b/i.test(s), key).toBe(false);
		for (const [key, s] of Object.entries({ ...spanish })) expect(/\bsegur[oa] (subir|trabajar)\b|\badelante\b/i.test(s), key).toBe(false);
	});

	it("have every key that the source names", () => {
		const files = (dir: string): string[] =>
			readdirSync(dir, { withFileTypes: true }).flatMap((f) =>
				f.isDirectory() ? (f.name === "gen" ? [] : files(join(dir, f.name))) : [join(dir, f.name)],
			);
		const named = files("src")
			// The screens of other roles have catalogues of their own.
			.filter((f) => /\.tsx?$/.test(f) && !/screens\/(lead|auditor|office)\/|parts\/desk/.test(f))
			.flatMap((f) => [...readFileSync(f, "utf8").matchAll(/\bt\(\s*"([a-z][^"]*)"/g)].map((m) => m[1]!));
		expect(named.length).toBeGreaterThan(100);
		for (const k of named) expect(Object.hasOwn(english, k), k).toBe(true);
	});

	it("fill words in, numbers with the language's sign", () => {
		expect(text("en", "only", { n: 3 })).toBe("3 only on this phone");
		expect(text("es", "working.guard", { value: 0.5 })).toBe("No demostrado a menos de 0,5 del límite");
	});
});
