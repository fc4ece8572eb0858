import { defineConfig } from "vitest/config";

// In a real browser against the built client: run after npm run build.
export default defineConfig({
	test: {
		include: ["e2e/**/*.test.ts"],
		environment: "node",
		testTimeout: 60_000,
		hookTimeout: 60_000,
		fileParallelism: false,
		sequence: { concurrent: false },
	},
});
