import { defineConfig } from "vite";
import { precache } from "./precache";

export default defineConfig({
	oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
	build: { target: "es2022", sourcemap: false, assetsInlineLimit: 0, modulePreload: { polyfill: false } },
	plugins: [precache()],
	server: { proxy: { "/witnessmark.v1": "http://localhost:8080", "/jobs": "http://localhost:8080" } },
});
