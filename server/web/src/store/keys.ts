import { type Bytes, bytes, hex, sha256 } from "../bytes";
import { ENTRY_TYPE, pae } from "../record/pae";
import { type Database, database, write } from "./database";

const ALGORITHM = { name: "ECDSA", namedCurve: "P-256" } as const;
const SIGNING = { name: "ECDSA", hash: "SHA-256" } as const;

/** The device's key. Its private half never leaves the browser. */
export interface DeviceKey {
	privateKey: CryptoKey;
	publicKey: CryptoKey;
	/** DER SubjectPublicKeyInfo. */
	spki: Bytes;
	/** First 16 hex digits of the SHA-256 of spki. */
	id: string;
	/** It was stored, read again and signed: it survives a restart. */
	persistent: boolean;
}

const KEPT = "device-key";
const NEXT = "device-key-next";
let session: DeviceKey | undefined;

/**
 * A new key: not extractable; stored, read from a database that was opened again, and tried. Where that fails it
 * lives for this session only, and says so. It signs nothing before adoptKey: the server does not know it yet.
 */
export async function makeKey(reopen: () => Promise<Database>): Promise<DeviceKey> {
	const pair = (await crypto.subtle.generateKey(ALGORITHM, false, ["sign", "verify"])) as CryptoKeyPair;
	const spki = bytes(await crypto.subtle.exportKey("spki", pair.publicKey));
	const key: DeviceKey = { ...pair, spki, id: hex(await sha256(spki)).slice(0, 16), persistent: true };
	try {
		const db = await reopen();
		await db.put("kept", key, NEXT);
		const again = (await (await reopen()).get("kept", NEXT)) as DeviceKey;
		const probe = crypto.getRandomValues(new Uint8Array(32));
		const signature = await crypto.subtle.sign(SIGNING, again.privateKey, probe);
		if (!(await crypto.subtle.verify(SIGNING, pair.publicKey, signature, probe))) throw new Error("the stored key signs otherwise");
		return again;
	} catch {
		key.persistent = false;
		return key;
	}
}

/**
 * From here on this key signs: the server knows it now. What came with it (the session) is stored in the same
 * transaction, so that key and session are never of two enrolments.
 */
export async function adoptKey(
	key: DeviceKey,
	beside: Readonly<Record<string, unknown>> = {},
	on: Promise<Database> = database(),
): Promise<void> {
	await write(
		["kept"],
		async (tx) => {
			const kept = tx.objectStore("kept");
			if (key.persistent) await kept.put(key, KEPT);
			else await kept.delete(KEPT);
			await kept.delete(NEXT);
			for (const [k, v] of Object.entries(beside)) await kept.put(v, k);
		},
		on,
	);
	session = key;
}

/** The device's key: from this session, else from the database; undefined when there is none. */
export async function deviceKey(on: Promise<Database> = database()): Promise<DeviceKey | undefined> {
	session ??= (await (await on).get("kept", KEPT)) as DeviceKey | undefined;
	return session;
}

export function forgetKey(): void {
	session = undefined;
}

/** Signs a payload: 64 bytes, r and s. */
export async function sign(key: DeviceKey, payload: Bytes): Promise<Bytes> {
	return bytes(await crypto.subtle.sign(SIGNING, key.privateKey, pae(ENTRY_TYPE, payload)));
}

/** Verifies a raw signature over a payload. */
export function verify(publicKey: CryptoKey, payload: Bytes, signature: Bytes, type: string = ENTRY_TYPE): Promise<boolean> {
	return crypto.subtle.verify(SIGNING, publicKey, signature, pae(type, payload));
}
