import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { readTouchstone } from "./touchstone";

describe("a trace for drawing", () => {
	it("takes magnitude, decibels and real parts to the same return loss", () => {
		// Touchstone 1.1 (2003): MA is a magnitude, DB is 20·log10 of it, RI real and imaginary part. A tenth of the voltage is 20 dB.
		for (const [name, text] of [
			["magnitude, the default", "# MHZ S MA R 50\n700 0.1 0\n800 0.1 90\n"],
			["decibels", "# mhz s db r 50\n700 -20 0\n800 -20 90\n"],
			["real and imaginary, in any order of the options", "# R 50 RI S MHz\n700 0.1 0\n800 0 0.1\n"],
			["gigahertz when nothing is said", "#\n0.7 0.1 0\n0.8 0.1 1\n"],
		] as const) {
			const t = readTouchstone(text)!;
			expect(t, name).toBeDefined();
			expect(t.frequency[0], name).toBeCloseTo(700, 6);
			expect(t.loss[0], name).toBeCloseTo(20, 6);
			expect(t.loss[1], name).toBeCloseTo(20, 6);
		}
	});

	it("reads the traces that the server reads, and their reference", () => {
		const read = (name: string) => readTouchstone(readFileSync(`../../testdata/traces/${name}`, "utf8"));
		const line = read("line-with-antenna.s1p")!;
		expect(line.frequency[0]).toBe(1700);
		expect(line.loss[0]).toBeCloseTo(19.11533, 5);
		expect(read("free-order-75-ohm.s1p")!.reference).toBe(75);
	});

	it("draws nothing of what it cannot read", () => {
		for (const bad of [
			"",
			"[Version] 2.0\n# MHz S MA R 50\n700 1 0\n800 1 0",
			"# MHz Z MA R 50\n700 1 0\n800 1 0",
			"# MHz S MA R 50\n700 1 0 1 0 1 0 1 0\n800 1 0 1 0 1 0 1 0",
			"# MHz S MA R 50\n700 NaN 0\n800 1 0",
			"# MHz S MA R 50\n800 1 0\n700 1 0",
			"# MHz S MA R -50\n700 1 0\n800 1 0",
			"# MHz S MA R 50\n700 1 0",
		])
			expect(readTouchstone(bad), JSON.stringify(bad)).toBeUndefined();
	});
});
