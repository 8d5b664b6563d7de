// Says what the built page weighs as the station sends it, and fails where that is more than it may be.
import { readdirSync, readFileSync, statSync } from "node:fs";
import { join } from "node:path";
import { gzipSync } from "node:zlib";

const MOST = 150 * 1024;
const dist = new URL("../dist/", import.meta.url).pathname;

function files(folder) {
  return readdirSync(folder).flatMap((name) => {
    const path = join(folder, name);
    return statSync(path).isDirectory() ? files(path) : [path];
  });
}

let all = 0;
for (const path of files(dist).sort()) {
  const bytes = readFileSync(path);
  const sent = Math.min(bytes.length, gzipSync(bytes, { level: 9 }).length);
  all += sent;
  console.log(`${String(sent).padStart(7)}  ${path.slice(dist.length)}`);
}
console.log(`${String(all).padStart(7)}  in all, compressed, of ${MOST} bytes at most`);
if (all > MOST) {
  console.error("The page is too large: look at what was added.");
  process.exit(1);
}
