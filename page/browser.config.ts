// The tests in a browser: the built page against a stand-in, and against a real station where there is one.
import { defineConfig } from "vitest/config";

export default defineConfig({
  test: { include: ["tests/browser/*.test.ts"], testTimeout: 300_000, hookTimeout: 120_000, fileParallelism: false },
});
