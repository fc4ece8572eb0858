import { Code, ConnectError } from "@connectrpc/connect";

/** What a failed call means for the queue. */
export type Outcome =
	| "later" // no coverage, server busy or restarting: try again by itself
	| "sign-in" // the session is over: pause, keep everything, ask to sign in
	| "denied" // not allowed for this job now: kept and tried again much later, nothing else waits for it
	| "show"; // trying again cannot help: a person must see it

/**
 * A lost network arrives as code 'unknown' ("Failed to fetch"), never as
 * 'unavailable': both mean later, as do a server that is older than this phone
 * and anything that is not understood. Never is work given up because of it.
 */
export function outcomeOf(error: unknown): Outcome {
	if (!(error instanceof ConnectError) || isForeign(error)) return "later";
	switch (error.code) {
		case Code.Unauthenticated:
			return "sign-in";
		case Code.PermissionDenied:
			return "denied";
		case Code.InvalidArgument:
		case Code.NotFound:
		case Code.AlreadyExists:
		case Code.FailedPrecondition:
		case Code.OutOfRange:
			return "show";
		default:
			return "later";
	}
}

/** An error page of something that stands between phone and server (a portal, a proxy) has a status only, and none of the server's words. */
function isForeign(error: ConnectError): boolean {
	return /^HTTP \d{3}$/.test(error.rawMessage);
}

/** Full jitter: a random wait from 0 to min(most, first·2ⁿ) milliseconds. */
export function backoff(attempt: number, random: () => number = Math.random, first = 1000, most = 120_000): number {
	return Math.floor(random() * Math.min(most, first * 2 ** Math.min(attempt, 20)));
}

/** The stable reason of an error's details, such as RECORD_LOCKED; empty when it has none. */
export function reasonOf(error: unknown): string {
	if (!(error instanceof ConnectError)) return "";
	for (const d of error.details as { type?: string; debug?: unknown }[]) {
		const reason = d.type === "google.rpc.ErrorInfo" && (d.debug as { reason?: unknown } | undefined)?.reason;
		if (typeof reason === "string") return reason;
	}
	return "";
}
