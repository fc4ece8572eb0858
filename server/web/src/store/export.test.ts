import { createHash } from "node:crypto";
import { readFileSync, writeFileSync } from "node:fs";
import { create } from "@bufbuild/protobuf";
import { timestampFromMs } from "@bufbuild/protobuf/wkt";
import { beforeEach, describe, expect, it, vi } from "vitest";
import { bytes, hex, same, sha256, unbase64, unhex } from "../bytes";
import { NoteSchema, PhotoAttached_HowTaken, PhotoAttachedSchema, TraceAttachedSchema } from "../gen/witnessmark/record/v1/entry_pb";
import { type Database, openDatabase } from "./database";
import { fileBytes, storeFile } from "./files";
import { type DeviceKey, forgetKey, makeKey, verify } from "./keys";
import { append, type EntryLine, exportUnsent, readExported, type Statement } from "./outbox";

// The file that this phone saves is read by another program, 'witnessmark submit':
// the golden file is what this code writes, and the tests of that program send it
// to a real server. WITNESSMARK_WRITE_EXPORT=1 makes it anew.
const golden = new URL("../../../../testdata/exports/phone.jsonl", import.meta.url);
const publicKey = new URL("../../../../testdata/exports/phone.spki", import.meta.url);
const photo = new URL("../../../../testdata/exports/photo.jpg", import.meta.url);
const trace = new URL("../../../../testdata/traces/line-with-antenna.s1p", import.meta.url);

const photoDigest = createHash("sha256").update(readFileSync(photo)).digest("hex");

const at = Date.UTC(2026, 2, 2, 9, 30);
const id = (n: number) => `019cad4f-6${n}00-7000-8000-00000000000${n}`;
const who = { job: "jobs/exported", author: "people/climber", device: "devices/phone-1" };

let on: Promise<Database>;
let count = 0;
beforeEach(() => {
	on = openDatabase(`export-${++count}`);
	forgetKey();
	vi.spyOn(Date, "now").mockReturnValue(at);
});

/** A note, a photo and a trace that were not sent. */
async function work(key: DeviceKey | undefined): Promise<void> {
	const say = async (n: number, s: Omit<Statement, keyof typeof who>, file?: string) => {
		const options = { on, now: at + n * 1000, id: id(n), key };
		await append({ ...who, ...s }, file ? { ...options, file } : options);
	};
	await say(1, { kind: { case: "note", value: create(NoteSchema, { text: "Gate open; ñ and ☂ survive." }) } });
	const picture = await storeFile(
		bytes(readFileSync(photo)),
		{ job: who.job, step: "connection:A1-top/couple/photos", subject: "mated", purpose: "photo", mediaType: "image/jpeg" },
		on,
	);
	const attached = create(PhotoAttachedSchema, {
		digest: unhex(picture.digest),
		size: BigInt(picture.size),
		subject: "mated",
		howTaken: PhotoAttached_HowTaken.IN_APP,
		takenTime: timestampFromMs(at),
	});
	await say(2, { step: picture.step, kind: { case: "photoAttached", value: attached } }, picture.digest);
	const sweep = await storeFile(
		bytes(readFileSync(trace)),
		{ job: who.job, step: "line:A1/test/trace", subject: "", purpose: "trace", mediaType: "application/octet-stream" },
		on,
	);
	const named = create(TraceAttachedSchema, { digest: unhex(sweep.digest), size: BigInt(sweep.size), fileName: "a1.s1p" });
	await say(3, { step: sweep.step, kind: { case: "traceAttached", value: named } }, sweep.digest);
}

describe("the file of unsent work", () => {
	it("is the golden file that 'witnessmark submit' sends", async () => {
		if (process.env.WITNESSMARK_WRITE_EXPORT) {
			const key = await makeKey(() => openDatabase("export"));
			await work(key);
			writeFileSync(golden, (await exportUnsent((f) => fileBytes(f, on), on)).join(""));
			writeFileSync(publicKey, key.spki);
			return;
		}
		const text = readFileSync(golden, "utf8");
		const lines = readExported(text);
		const signed = lines.filter((l): l is EntryLine => "payload" in l);
		expect(signed.length).toBe(3);
		expect(lines.length).toBe(5);
		const spki = bytes(readFileSync(publicKey));
		const imported = await crypto.subtle.importKey("spki", spki, { name: "ECDSA", namedCurve: "P-256" }, true, ["verify"]);
		await work(undefined);
		const db = await on;
		for (const l of signed) {
			const made = await db.get("entries", l.id);
			expect(made && same(made.payload, unbase64(l.payload)), `payload of ${l.id}`).toBe(true);
			expect(await verify(imported, unbase64(l.payload), unbase64(l.signature))).toBe(true);
			expect(l.keyId).toBe(hex(await sha256(spki)).slice(0, 16));
			// A signature is another each time: the golden file's stands in for it.
			await db.put("entries", { ...made!, signature: unbase64(l.signature), keyId: l.keyId });
		}
		expect((await exportUnsent((f) => fileBytes(f, on), on)).join("")).toBe(text);
	});

	it("has everything else where bytes of one file are gone", async () => {
		await work(undefined);
		const db = await on;
		const [first] = await db.getAllKeys("pieces");
		await db.delete("pieces", first!);
		const lines = readExported((await exportUnsent((f) => fileBytes(f, on), on)).join(""));
		expect(lines.map((l) => ("payload" in l ? l.kind : l.bytes === "" ? "gone" : l.file.purpose)).sort()).toEqual(
			["note", "photoAttached", "traceAttached", "gone", first!.startsWith(photoDigest) ? "trace" : "photo"].sort(),
		);
	});
});
