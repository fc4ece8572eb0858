import { type Client, Code, ConnectError, createClient, type Interceptor } from "@connectrpc/connect";
import { createConnectTransport } from "@connectrpc/connect-web";
import { DeviceService } from "../gen/witnessmark/v1/devices_pb";
import { UploadService } from "../gen/witnessmark/v1/evidence_pb";
import { JobService } from "../gen/witnessmark/v1/jobs_pb";
import { PeopleService } from "../gen/witnessmark/v1/people_pb";
import { SetupService } from "../gen/witnessmark/v1/setup_pb";

/** The services that the phone calls. */
export interface Server {
	devices: Client<typeof DeviceService>;
	jobs: Client<typeof JobService>;
	uploads: Client<typeof UploadService>;
	people: Client<typeof PeopleService>;
	setup: Client<typeof SetupService>;
}

let token = "";

/** Sets the session's token; empty: none. */
export function setToken(t: string): void {
	token = t;
}

const authorize: Interceptor = (next) => async (request) => {
	const used = request.method === DeviceService.method.enroll ? "" : token;
	if (used) request.header.set("Authorization", `Bearer ${used}`);
	try {
		return await next(request);
	} catch (error) {
		// An answer to the session before says nothing of the one that was begun meanwhile.
		if (used && used !== token && error instanceof ConnectError && error.code === Code.Unauthenticated)
			throw new ConnectError("asked in a session that has been replaced", Code.Aborted);
		throw error;
	}
};

/** Calls end after this time: a half-open link must not hang the queue. */
export const DEADLINE = 20_000;

/** Makes the clients; JSON on the wire, as everywhere else in the record. */
export function connect(baseUrl: string = location.origin): Server {
	const transport = createConnectTransport({ baseUrl, useBinaryFormat: false, interceptors: [authorize], defaultTimeoutMs: DEADLINE });
	return {
		devices: createClient(DeviceService, transport),
		jobs: createClient(JobService, transport),
		uploads: createClient(UploadService, transport),
		people: createClient(PeopleService, transport),
		setup: createClient(SetupService, transport),
	};
}
