import { fromJsonString } from "@bufbuild/protobuf";
import { beforeEach, describe, expect, it } from "vitest";
import { bytes, hex, same, sha256, unbase64, utf8 } from "../bytes";
import { EntrySchema } from "../gen/witnessmark/record/v1/entry_pb";
import { type Database, openDatabase, write } from "./database";
import { discard, fileBytes, fileSlice, intact, PIECE, release, sniff, storeFile } from "./files";
import { forgetKey, makeKey, verify } from "./keys";
import { append, continueChain, entriesIn, entriesOf, exportUnsent, note, readExported, unsent } from "./outbox";

let on: Promise<Database>;
let name = 0;
beforeEach(() => {
	name++;
	on = openDatabase(`outbox-${name}`);
	forgetKey();
});

const note1 = (text: string, job = "jobs/one") => ({
	job,
	author: "people/p1",
	device: "devices/d1",
	kind: { case: "note" as const, value: { $typeName: "witnessmark.record.v1.Note" as const, text } },
});

describe("the outbox", () => {
	it("makes payloads once, signed, with counter and the hash of the one before, per job", async () => {
		const key = await makeKey(() => openDatabase(`outbox-${name}`));
		const made = [];
		for (const s of [note1("a"), note1("b"), note1("x", "jobs/two"), note1("c")]) made.push(await append(s, { on, key }));
		const [a, b, x, c] = made;
		expect([a!.counter, b!.counter, x!.counter, c!.counter]).toEqual([1, 2, 1, 3]);
		for (const [now, before] of [
			[b!, a!],
			[c!, b!],
		]) {
			const entry = fromJsonString(EntrySchema, new TextDecoder().decode(now!.payload));
			expect(hex(entry.previous)).toBe(hex(await sha256(before!.payload)));
		}
		const first = JSON.parse(new TextDecoder().decode(a!.payload));
		expect(first.counter).toBe("1");
		expect(first.previous).toBeUndefined();
		expect(first.id).toMatch(/^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/);
		for (const e of made) {
			expect(e.signature.length).toBe(64);
			expect(await verify(key.publicKey, e.payload, e.signature)).toBe(true);
			expect(same(await sha256(e.payload), e.digest)).toBe(true);
		}
	});

	it("keeps one chain when many are made at once", async () => {
		const all = await Promise.all(Array.from({ length: 25 }, (_, i) => append(note1(String(i)), { on })));
		expect(all.map((e) => e.counter).sort((a, b) => a - b)).toEqual(Array.from({ length: 25 }, (_, i) => i + 1));
		const stored = await entriesOf("jobs/one", on);
		for (let i = 1; i < stored.length; i++) {
			const entry = fromJsonString(EntrySchema, new TextDecoder().decode(stored[i]!.payload));
			expect(hex(entry.previous)).toBe(hex(stored[i - 1]!.digest));
		}
	});

	it("survives being closed and opened again", async () => {
		await append(note1("kept"), { on });
		(await on).close();
		on = openDatabase(`outbox-${name}`);
		const after = await append(note1("next"), { on });
		expect(after.counter).toBe(2);
		expect((await entriesIn("here", on)).map((e) => e.counter)).toEqual([1, 2]);
	});

	it("goes on behind what the server has of this device, never before it", async () => {
		await continueChain("jobs/one", "devices/d1", 7, await sha256(utf8("seven")), on);
		expect((await append(note1("eight"), { on })).counter).toBe(8);
		await continueChain("jobs/one", "devices/d1", 3, bytes([]), on);
		expect((await append(note1("nine"), { on })).counter).toBe(9);
	});

	it("stores nothing when the disk is full, and says so", async () => {
		const full = new DOMException("full", "QuotaExceededError");
		await expect(
			write(
				["entries"],
				async () => {
					throw full;
				},
				on,
			),
		).rejects.toBe(full);
		const db = await on;
		const transaction = db.transaction.bind(db);
		db.transaction = ((...args: Parameters<typeof transaction>) => {
			const tx = transaction(...args);
			if (args[1] === "readwrite") throw full;
			return tx;
		}) as never;
		await expect(append(note1("lost?"), { on })).rejects.toBe(full);
		db.transaction = transaction as never;
		expect(await entriesOf("jobs/one", on)).toEqual([]);
		expect((await append(note1("again"), { on })).counter).toBe(1);
	});

	it("counts what stands only here, and exports it with its bytes", async () => {
		const a = await append(note1("a"), { on });
		const b = await append(note1("b"), { on });
		const c = await append(note1("c"), { on });
		await note(a.id, { state: "sent" }, on);
		await note(b.id, { state: "refused", permanent: true, reason: "X", sentence: "no" }, on);
		expect(await unsent(on)).toEqual({ entries: 1, files: 0, refused: 1 });
		const out = await exportUnsent((f) => fileBytes(f, on), on);
		const read = readExported(out.join(""));
		expect(read.map((e) => ("payload" in e ? e.id : ""))).toEqual([c.id, b.id]);
		expect("payload" in read[0]! && same(unbase64(read[0].payload), c.payload)).toBe(true);
		for (const bad of ["", "{", '{"a":1}', "[]", "null"]) expect(() => readExported(bad), bad).toThrow();
	});
});

describe("a device key", () => {
	it("is not extractable, survives the database, and its id is of its public half", async () => {
		const key = await makeKey(() => openDatabase(`outbox-${name}`));
		expect(key.persistent).toBe(true);
		await expect(crypto.subtle.exportKey("pkcs8", key.privateKey)).rejects.toThrow();
		expect(key.id).toBe(hex(await sha256(key.spki)).slice(0, 16));
	});
	it("works for the session, and says so, where the browser does not keep it", async () => {
		const key = await makeKey(() => Promise.reject(new DOMException("no clone", "DataCloneError")));
		expect(key.persistent).toBe(false);
		const e = await append(note1("still signed"), { on, key });
		expect(await verify(key.publicKey, e.payload, e.signature)).toBe(true);
	});
});

describe("files", () => {
	const content = bytes(Array.from({ length: PIECE * 2 + 1000 }, (_, i) => (i * 7) % 251));
	const about = { job: "jobs/one", step: "s", subject: "mated", purpose: "photo" as const, mediaType: "image/jpeg" };

	it("are stored in pieces under their digest and read back exactly", async () => {
		const f = await storeFile(content, about, on);
		expect(f.pieces).toBe(3);
		expect(f.digest).toBe(hex(await sha256(content)));
		expect(same(await fileBytes(f, on), content)).toBe(true);
		expect(same(await fileSlice(f, PIECE - 10, 20, on), content.slice(PIECE - 10, PIECE + 10))).toBe(true);
		expect(same(await fileSlice(f, content.length - 5, 500, on), content.slice(-5))).toBe(true);
		expect(await intact(f, on)).toBe(true);
	});

	it("are noticed when a stored piece changed or went", async () => {
		const f = await storeFile(content, about, on);
		await (await on).put("pieces", new Uint8Array(PIECE).buffer, `${f.digest}/0001`);
		expect(await intact(f, on)).toBe(false);
		await (await on).delete("pieces", `${f.digest}/0001`);
		expect(await intact(f, on)).toBe(false);
	});

	it("are released only against a receipt that names the digest", async () => {
		const f = await storeFile(content, about, on);
		await expect(release(f.digest, await sha256(utf8("other")), on)).rejects.toThrow();
		expect(await intact(f, on)).toBe(true);
		await release(f.digest, await sha256(content), on);
		expect(await (await on).count("pieces")).toBe(0);
		expect((await (await on).get("files", f.digest))?.state).toBe("sent");
	});

	it("named by an entry cannot be discarded; one that nobody names can", async () => {
		const f = await storeFile(content, about, on);
		await append({ ...note1("names it") }, { on, file: f.digest });
		await discard(f.digest, on);
		expect(await intact(f, on)).toBe(true);
		const g = await storeFile(utf8("again"), about, on);
		await discard(g.digest, on);
		expect(await (await on).get("files", g.digest)).toBeUndefined();
	});

	it("have their type from their bytes", () => {
		expect(sniff(Uint8Array.of(0xff, 0xd8, 0xff, 0xe0))).toBe("image/jpeg");
		expect(sniff(utf8("\0\0\0\x18ftypheic"))).toBe("image/heic");
		expect(sniff(utf8("GIF89a"))).toBe("application/octet-stream");
		expect(sniff(new Uint8Array())).toBe("application/octet-stream");
	});
});
