import { type Bytes, join, utf8 } from "../bytes";

/** The media type of an entry's payload. */
export const ENTRY_TYPE = "application/vnd.witnessmark.entry+json";

/**
 * DSSE v1 pre-authentication encoding: the bytes that are signed.
 * `DSSEv1 SP len(type) SP type SP len(payload) SP payload`, lengths in bytes.
 */
export function pae(type: string, payload: Uint8Array): Bytes {
	const t = utf8(type);
	return join(utf8(`DSSEv1 ${t.length} `), t, utf8(` ${payload.length} `), payload);
}
