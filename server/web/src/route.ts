import { useEffect, useState } from "preact/hooks";

/** A place in the client: a path of its own, with what it is about in the query. */
export interface Route {
	name: string;
	params: Readonly<Record<string, string>>;
	query: URLSearchParams;
}

const listeners = new Set<() => void>();

/** Reads the address: "/job/ridge-7/step?step=…" is {name: "step", params: {job: "jobs/ridge-7"}}. */
export function parse(path: string, search: string): Route {
	const query = new URLSearchParams(search);
	const parts = path
		.split("/")
		.filter((p) => p !== "")
		.map(decode);
	if (parts.length === 0) return { name: "jobs", params: {}, query };
	if (parts[0] === "job" && parts[1]) return { name: parts[2] ?? "job", params: { job: `jobs/${parts[1]}` }, query };
	return { name: parts.join("/"), params: {}, query };
}

function decode(part: string): string {
	try {
		return decodeURIComponent(part);
	} catch {
		return part; // a broken escape is just text
	}
}

/** The path of a screen of a job. */
export function jobPath(job: string, screen = "", query: Readonly<Record<string, string | undefined>> = {}): string {
	const q = new URLSearchParams();
	for (const [k, v] of Object.entries(query)) if (v) q.set(k, v);
	const tail = q.size > 0 ? `?${q}` : "";
	return `/job/${encodeURIComponent(job.replace(/^jobs\//, ""))}${screen ? `/${screen}` : ""}${tail}`;
}

/** Goes to a path. `replace` leaves no way back to the present one. */
export function go(path: string, replace = false): void {
	if (replace) history.replaceState(null, "", path);
	else history.pushState(null, "", path);
	for (const l of listeners) l();
}

/** Back to where one came from; to `otherwise` when this was the first screen. */
export function back(otherwise: string): void {
	if (history.length > 1) history.back();
	else go(otherwise, true);
}

export function useRoute(): Route {
	const [, draw] = useState(0);
	useEffect(() => {
		const l = () => draw((n) => n + 1);
		listeners.add(l);
		addEventListener("popstate", l);
		return () => {
			listeners.delete(l);
			removeEventListener("popstate", l);
		};
	}, []);
	return parse(location.pathname, location.search);
}
