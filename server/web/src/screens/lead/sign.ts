// Entries of the lead: through the same outbox as the climber's. Only the
// sign-off goes by a call of its own, and is stored when the server took it.

import { type Client, ConnectError } from "@connectrpc/connect";
import { bytes } from "../../bytes";
import { SignedOff_Meaning as Meaning } from "../../gen/witnessmark/record/v1/entry_pb";
import type { JobService, ListLinesResponse, SignOffResponse } from "../../gen/witnessmark/v1/jobs_pb";
import { ListLinesResponseSchema } from "../../gen/witnessmark/v1/jobs_pb";
import { database, type StoredEntry, write } from "../../store/database";
import { deviceKey } from "../../store/keys";
import { makeEntry, type Statement } from "../../store/outbox";
import { phone } from "../../store/phone";
import type { Review } from "./review";

/** Makes an entry and waits until the server has answered for it. The error says what the server did not take, or that it is still only here. */
export async function tell(r: Review, s: Pick<Statement, "kind"> & { step?: string; climb?: string }): Promise<StoredEntry> {
	await r.chain();
	const made = await phone.say(r.name, s);
	const answered = await settled(made.id);
	if (answered.state === "refused" || answered.reason) throw new Error(answered.sentence || answered.reason);
	if (answered.state === "here") throw new OnlyHere();
	await r.refresh();
	return answered;
}

/** The entry is kept on this machine and goes to the server by itself. */
export class OnlyHere extends Error {
	constructor() {
		super("only here");
		this.name = "OnlyHere";
	}
}

async function settled(id: string, most = 15_000): Promise<StoredEntry> {
	const until = Date.now() + most;
	for (;;) {
		const e = await (await database()).get("entries", id);
		if (!e) throw new Error("the entry is gone from the store");
		if (e.state !== "here" || e.reason || Date.now() > until) return e;
		await new Promise((ok) => setTimeout(ok, 120));
	}
}

/** What the sign-off will say, from what is on the screen. */
export function meaningOf(r: Review): Meaning {
	return (r.view?.exceptions.length ?? 0) > 0 ? Meaning.APPROVED_WITH_EXCEPTIONS : Meaning.APPROVED;
}

/** Entries of this lead on steps that are the crew's: then the organisation's reason for waiving four eyes belongs into the sign-off. */
export function ownWork(r: Review, me: string): string[] {
	const out: string[] = [];
	for (const s of r.steps) {
		const doer = s.def?.doer;
		if (doer === 2 || doer === 3 || s.def?.kind.case === "acknowledge") continue;
		const fits = s.view.entries.some((e) => e.entry?.author === me && answers(s.def?.kind.case, e.entry.kind.case));
		if (fits) out.push(s.view.id);
	}
	return out;
}

const KINDS: Readonly<Record<string, string>> = {
	confirm: "confirmed",
	reading: "readingTaken",
	torque: "torqueApplied",
	photo: "photoAttached",
	trace: "traceAttached",
	kitCheck: "kitChecked",
	choice: "answered",
	text: "answered",
};
const answers = (step: string | undefined, entry: string | undefined) =>
	KINDS[step ?? ""] === entry || (step !== undefined && entry === "confirmed");

/** What the server says of a lock. */
export type Sealed = Pick<SignOffResponse, "job" | "head" | "logIndex" | "checkpoint">;

/** Signed, or what stands between. */
export type Signed = { done: Sealed } | { moved: ListLinesResponse | undefined } | { error: unknown };

// A sign-off whose answer was lost is sent again with the same bytes: the server then says that it has it.
const pending = new Map<string, StoredEntry>();

/** Signs the lines that this machine holds. It refuses, without asking the server, when the root differs from the server's. */
export async function signOff(r: Review, code: string, waiver: string): Promise<Signed> {
	if (r.agrees !== true || !r.root) return { error: new Error("the root differs") };
	return close(r, (call, entry) => call.signOff({ job: r.name, entry, code }), {
		case: "signedOff",
		value: {
			$typeName: "witnessmark.record.v1.SignedOff",
			size: BigInt(r.lines.length),
			root: r.root,
			meaning: meaningOf(r),
			fourEyesWaiver: waiver,
		},
	});
}

/** Ends the job unfinished; sealed like a lock. */
export async function endJob(r: Review, code: string, reason: string): Promise<Signed> {
	if (r.agrees !== true || !r.root) return { error: new Error("the root differs") };
	return close(r, (call, entry) => call.endJob({ job: r.name, entry, code }), {
		case: "endedUnfinished",
		value: { $typeName: "witnessmark.record.v1.EndedUnfinished", reason, size: BigInt(r.lines.length), root: r.root },
	});
}

type Submit = (call: Client<typeof JobService>, entry: { payload: Uint8Array; signature: Uint8Array; keyId: string }) => Promise<Sealed>;

async function close(r: Review, submit: Submit, kind: Statement["kind"]): Promise<Signed> {
	const session = phone.state.session;
	const person = phone.state.person;
	if (!session || !person) return { error: new Error("nobody is signed in") };
	try {
		await r.chain();
		const chainKey = `${r.name} ${session.device}`;
		const chain = (await (await database()).get("chains", chainKey)) ?? { key: chainKey, counter: 0, digest: bytes([]) };
		const sameAs = JSON.stringify(kind, (_, v) => (typeof v === "bigint" ? String(v) : v));
		const key = `${r.name} ${chain.counter} ${sameAs}`;
		let entry = pending.get(key);
		if (!entry) {
			entry = await makeEntry({ job: r.name, author: person.name, device: session.device, kind }, chain, Date.now(), await deviceKey());
			pending.set(key, entry);
		}
		const answer = await submit(r.desk.jobs, { payload: entry.payload, signature: entry.signature, keyId: entry.keyId });
		pending.delete(key);
		const stored: StoredEntry = { ...entry, state: "sent", seq: Number(answer.head?.size ?? 0n) - 1 };
		await write(["entries", "chains"], async (tx) => {
			await tx.objectStore("entries").put(stored);
			await tx.objectStore("chains").put({ key: chainKey, counter: stored.counter, digest: stored.digest });
		});
		await r.refresh();
		return { done: answer };
	} catch (error) {
		if (error instanceof ConnectError) {
			const lines = error.findDetails(ListLinesResponseSchema)[0];
			if (lines || /ROOT_MOVED/.test(JSON.stringify(error.details.map((d) => ("debug" in d ? d.debug : ""))))) {
				await r.refresh().catch(() => undefined); // the next look asks again
				return { moved: lines };
			}
		}
		return { error };
	}
}
