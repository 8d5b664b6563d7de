// The tests of the logic: no browser, no station.
import { defineConfig } from "vitest/config";

export default defineConfig({ test: { include: ["tests/*.test.ts"] } });
