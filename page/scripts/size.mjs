// Says what the built page weighs as the station sends it, and fails where that is more than it may be: what the first view needs, and what is
// fetched when somebody opens a view that needs more.
import { readdirSync, readFileSync, statSync } from "node:fs";
import { join } from "node:path";
import { gzipSync } from "node:zlib";

/** Bytes for the first use on a slow line, and for all that there is. */
const MOST = { first: 150 * 1024, all: 400 * 1024 };
const dist = new URL("../dist/", import.meta.url).pathname;

function files(folder) {
  return readdirSync(folder).flatMap((name) => {
    const path = join(folder, name);
    return statSync(path).isDirectory() ? files(path) : [path];
  });
}

const sent = (path) => {
  const bytes = readFileSync(path);
  return Math.min(bytes.length, gzipSync(bytes, { level: 9 }).length);
};
const worker = readFileSync(join(dist, "sw.js"), "utf8");
// The worker keeps exactly what the first view needs; the browser asks for the worker itself and for the icon besides.
const list = JSON.parse(/const FILES = (\[.*?\]);/.exec(worker)?.[1] ?? "[]");
const first = new Set([...list.map((name) => (name === "/" ? "index.html" : name.slice(1))), "sw.js", "icon-192.png"]);
const total = { first: 0, all: 0 };
for (const path of files(dist).sort()) {
  const name = path.slice(dist.length);
  const bytes = sent(path);
  total.all += bytes;
  if (first.has(name)) total.first += bytes;
  console.log(`${String(bytes).padStart(7)}  ${name}${first.has(name) ? "  (first use)" : ""}`);
}
for (const [what, most] of Object.entries(MOST)) {
  console.log(`${String(total[what]).padStart(7)}  ${what === "first" ? "first use" : "in all"}, compressed, of ${most} bytes at most`);
}
if (total.first > MOST.first || total.all > MOST.all) {
  console.error("The page is too large: look at what was added.");
  process.exit(1);
}
