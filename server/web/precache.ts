import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import type { Plugin } from "vite";

/**
 * Writes dist/sw.js from src/sw.js: fills in the list of files that the service
 * worker keeps and a hash over them, so that any change makes a new worker.
 */
export function precache(): Plugin {
	return {
		name: "precache",
		apply: "build",
		generateBundle(_options, bundle) {
			const files = Object.keys(bundle).sort();
			const hash = createHash("sha256");
			for (const name of files) {
				const part = bundle[name];
				hash.update(name);
				hash.update(part?.type === "asset" ? part.source : (part?.code ?? ""));
			}
			const still = ["manifest.webmanifest", "icon.svg"];
			for (const name of still) hash.update(readFileSync(`public/${name}`));
			const template = readFileSync("src/sw.js", "utf8");
			hash.update(template);
			const list = ["/", ...files.filter((f) => f !== "index.html").map((f) => `/${f}`), ...still.map((f) => `/${f}`)];
			this.emitFile({
				type: "asset",
				fileName: "sw.js",
				source: template.replace('"@files"', JSON.stringify(list)).replace("@version", hash.digest("hex").slice(0, 16)),
			});
		},
	};
}
