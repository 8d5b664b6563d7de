// Runs a script in TypeScript: node scripts/run.mjs FILE ARGUMENTS.
import { resolve } from "node:path";
import { runnerImport } from "vite";

const [file] = process.argv.splice(2, 1);
await runnerImport(resolve(file), { configFile: false, logLevel: "error" });
