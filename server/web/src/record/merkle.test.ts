import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { hex, unhex, utf8 } from "../bytes";
import { leafHash, Tree } from "./merkle";

const vectors = "../../testdata/vectors";

interface Reference {
	source: string;
	emptyRoot: string;
	leaves: { input: string; leafHash: string; root: string }[];
}

// The reference tree of eight leaves used by certificate transparency
// implementations (RFC 6962 section 2.1, the same hashing as RFC 9162 section
// 2.1), as it stands in merkle.json.
const reference = JSON.parse(readFileSync(`${vectors}/merkle.json`, "utf8")) as Reference;

describe("the root of a list of lines", () => {
	it("of no line is the hash of nothing", async () => {
		expect(hex(await new Tree().root())).toBe(reference.emptyRoot);
	});

	it("is that of the reference tree after each of its leaves", async () => {
		const tree = new Tree();
		expect(reference.leaves.length).toBe(8);
		for (const leaf of reference.leaves) {
			expect(hex(await leafHash(unhex(leaf.input))), `leaf hash of ${leaf.input}`).toBe(leaf.leafHash);
			await tree.append(unhex(leaf.input));
			expect(hex(await tree.root()), `root of ${tree.size} leaves`).toBe(leaf.root);
		}
	});

	it("of a whole record is what another program computed by the formulas of RFC 9162 section 2.1", async () => {
		const want = JSON.parse(readFileSync(`${vectors}/record.json`, "utf8")) as { lines: { leafHash: string; rootSoFar: string }[] };
		const lines = readFileSync(`${vectors}/record.jsonl`, "utf8")
			.split("\n")
			.filter((l) => l !== "");
		expect(lines.length).toBe(want.lines.length);
		const tree = new Tree();
		for (const [i, line] of lines.entries()) {
			await tree.append(utf8(line));
			expect(hex(await tree.root()), `root of ${i + 1} lines`).toBe(want.lines[i]!.rootSoFar);
		}
	});

	it("changes when one byte of one line changes", async () => {
		const lines = readFileSync(`${vectors}/record.jsonl`, "utf8")
			.split("\n")
			.filter((l) => l !== "");
		const of = async (list: string[]) => {
			const tree = new Tree();
			for (const l of list) await tree.append(utf8(l));
			return hex(await tree.root());
		};
		const changed = lines.map((l, i) => (i === 2 ? `${l.slice(0, -1)} }` : l));
		expect(await of(changed)).not.toBe(await of(lines));
		expect(await of(lines.slice(0, -1))).not.toBe(await of(lines));
	});
});
