import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { base64, bytes, hex, sha256, unbase64, utf8 } from "../bytes";
import { verify } from "../store/keys";
import { ENTRY_TYPE, pae } from "./pae";

// The first row and its signature are the published example of the DSSE v1 protocol.
const dsse = JSON.parse(readFileSync("../../testdata/vectors/dsse.json", "utf8"));
const record = JSON.parse(readFileSync("../../testdata/vectors/record.json", "utf8"));
const lines = readFileSync("../../testdata/vectors/record.jsonl", "utf8")
	.trimEnd()
	.split("\n")
	.map((l) => JSON.parse(l));

function coordinate(decimal: string): string {
	const raw = BigInt(decimal).toString(16).padStart(64, "0");
	return base64(Uint8Array.from(raw.match(/../g)!, (h) => Number.parseInt(h, 16)))
		.replaceAll("+", "-")
		.replaceAll("/", "_")
		.replace(/=+$/, "");
}

describe("the encoding that is signed", () => {
	for (const v of dsse.pae) {
		it(JSON.stringify(v.type), async () => {
			const got = pae(v.type, utf8(v.payload));
			if (v.pae !== undefined) expect(new TextDecoder().decode(got)).toBe(v.pae);
			if (v.paeBytes !== undefined) expect(got.length).toBe(v.paeBytes);
			if (v.paeHash !== undefined) expect(hex(await sha256(got))).toBe(v.paeHash);
		});
	}

	it("verifies the protocol's own example signature", async () => {
		const s = dsse.signature;
		const key = await crypto.subtle.importKey(
			"jwk",
			{ kty: "EC", crv: "P-256", x: coordinate(s.x), y: coordinate(s.y) },
			{ name: "ECDSA", namedCurve: "P-256" },
			true,
			["verify"],
		);
		expect(await verify(key, utf8(s.payload), unbase64(s.sig), s.type)).toBe(true);
		expect(await verify(key, utf8(`${s.payload}!`), unbase64(s.sig), s.type)).toBe(false);
	});
});

describe("lines made independently of this program", () => {
	it("have the payload hashes, and the device's chain and signatures hold", async () => {
		const pem = readFileSync("../../testdata/vectors/device-0adc823c1353bbde.pem", "utf8");
		const spki = unbase64(pem.replace(/-----[^-]+-----|\s/g, ""));
		expect(hex(await sha256(spki)).slice(0, 16)).toBe("0adc823c1353bbde");
		const key = await crypto.subtle.importKey("spki", spki, { name: "ECDSA", namedCurve: "P-256" }, true, ["verify"]);
		let previous = bytes([]);
		for (const [i, line] of lines.entries()) {
			const payload = unbase64(line.payload);
			const want = record.lines[i];
			expect(payload.length).toBe(want.payloadBytes);
			expect(hex(await sha256(payload))).toBe(want.payloadHash);
			expect(hex(await sha256(pae(ENTRY_TYPE, payload)))).toBe(want.paeHash);
			if (want.attestedBy !== "device") continue;
			expect(await verify(key, payload, unbase64(line.signatures[0].sig))).toBe(true);
			const entry = JSON.parse(new TextDecoder().decode(payload));
			expect(entry.previous ?? "").toBe(base64(previous));
			previous = await sha256(payload);
		}
		expect(await verify(key, unbase64(lines[1].payload), unbase64(lines[0].signatures[0].sig))).toBe(false);
	});
});
