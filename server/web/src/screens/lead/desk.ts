// Calls that only the lead, the auditor and the office make. They load with
// their screens, so that a climber's phone never waits for them.

import { type Client, ConnectError, createClient, type Interceptor } from "@connectrpc/connect";
import { createConnectTransport } from "@connectrpc/connect-web";
import { GrantService } from "../../gen/witnessmark/v1/audit_pb";
import { DeviceService } from "../../gen/witnessmark/v1/devices_pb";
import { EvidenceService } from "../../gen/witnessmark/v1/evidence_pb";
import { JobService } from "../../gen/witnessmark/v1/jobs_pb";
import { PeopleService } from "../../gen/witnessmark/v1/people_pb";
import { SetupService } from "../../gen/witnessmark/v1/setup_pb";
import { phone } from "../../store/phone";
import { DEADLINE } from "../../sync/client";
import { outcomeOf } from "../../sync/outcome";

export interface Desk {
	devices: Client<typeof DeviceService>;
	people: Client<typeof PeopleService>;
	setup: Client<typeof SetupService>;
	jobs: Client<typeof JobService>;
	evidence: Client<typeof EvidenceService>;
	grants: Client<typeof GrantService>;
	/** The bearer token of the session; empty: none. */
	token(): string;
	/** The browser holds the session as a cookie too: plain links work. */
	cookie: boolean;
	/** A share link's session: one job, read-only. */
	shared: boolean;
}

function makeDesk(token: () => string, shared: boolean): Desk {
	const authorize: Interceptor = (next) => (request) => {
		const t = token();
		if (t) request.header.set("Authorization", `Bearer ${t}`);
		return next(request);
	};
	const transport = createConnectTransport({
		baseUrl: location.origin,
		useBinaryFormat: false,
		interceptors: [authorize],
		defaultTimeoutMs: DEADLINE,
	});
	return {
		devices: createClient(DeviceService, transport),
		people: createClient(PeopleService, transport),
		setup: createClient(SetupService, transport),
		jobs: createClient(JobService, transport),
		evidence: createClient(EvidenceService, transport),
		grants: createClient(GrantService, transport),
		token,
		cookie: !shared,
		shared,
	};
}

let own: Desk | undefined;

/** The calls in the name of who is signed in. */
export function desk(): Desk {
	own ??= makeDesk(() => (phone.state.session?.over ? "" : (phone.state.session?.token ?? "")), false);
	return own;
}

/** The calls in the name of a share link. */
export function shareDesk(token: string): Desk {
	return makeDesk(() => token, true);
}

/** Gets a file by plain HTTP. The error's words are the server's own where it gave some. */
export async function getFile(d: Desk, path: string, signal?: AbortSignal): Promise<Blob> {
	const headers: Record<string, string> = {};
	if (d.token()) headers.Authorization = `Bearer ${d.token()}`;
	const answer = await fetch(path, { headers, credentials: d.shared ? "omit" : "same-origin", signal: signal ?? null });
	if (!answer.ok) {
		const problem = (await answer.json().catch(() => ({}))) as { detail?: unknown; title?: unknown };
		throw new Error(String(problem.detail ?? problem.title ?? `${answer.status} ${answer.statusText}`));
	}
	return answer.blob();
}

/** Hands a file to the browser to keep. */
export function keepFile(content: Blob, name: string): void {
	const url = URL.createObjectURL(content);
	const a = document.createElement("a");
	a.href = url;
	a.download = name;
	a.click();
	setTimeout(() => URL.revokeObjectURL(url), 60_000);
}

/** The path of a photo or trace: 0 is the original, 320 and 1280 are pictures of that size, 1 is an end face's overlay. */
export function filePath(job: string, digest: string, size: 0 | 1 | 320 | 1280): string {
	return `/${job}/photos/${digest}${size ? `?size=${size}` : ""}`;
}

/** All pages of a list, up to a bound that is said. */
export async function pages<T>(
	next: (pageToken: string) => Promise<{ items: readonly T[]; nextPageToken: string }>,
	most = 5000,
): Promise<T[]> {
	const out: T[] = [];
	let token = "";
	do {
		const page = await next(token);
		out.push(...page.items);
		token = page.nextPageToken;
	} while (token && out.length < most);
	return out;
}

/** The session has ended, for calls that the queue does not make. */
export function isSignedOut(error: unknown): boolean {
	return error instanceof ConnectError && outcomeOf(error) === "sign-in";
}
