import { describe, expect, it } from "vitest";
import { around, diff } from "./diff";

describe("two texts beside each other", () => {
	it("are their own lines again, whatever the two are", () => {
		const texts = ["", "a", "a\nb\nc", "a\nc", "b\na\nc\nc", "x\ny\nz\nb", "a\r\nb\r\nc"];
		for (const a of texts)
			for (const b of texts) {
				const rows = diff(a, b);
				const side = (k: "left" | "right") => rows.flatMap((r) => (r[k] === undefined ? [] : [r[k]])).join("\n");
				expect(side("left"), `${a} | ${b}`).toBe(a.replaceAll("\r\n", "\n"));
				expect(side("right"), `${a} | ${b}`).toBe(b.replaceAll("\r\n", "\n"));
				for (const r of rows) if (r.same) expect(r.left).toBe(r.right);
			}
	});
	it("show one changed line as one row, with the lines around it", () => {
		const a = Array.from({ length: 30 }, (_, i) => `line ${i}`);
		const b = a.map((l, i) => (i === 15 ? "other" : l));
		const rows = diff(a.join("\n"), b.join("\n"));
		expect(rows.filter((r) => !r.same)).toEqual([{ left: "line 15", right: "other", same: false }]);
		expect(around(rows).length).toBe(9); // a gap, three before, the row, three after, a gap
		expect(around(diff("a", "a"))).toEqual([]);
	});
});
