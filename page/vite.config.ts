// How the page is built: plain files under dist/, which the station embeds. Nothing inline, so that the station's content policy can stay strict.
import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import preact from "@preact/preset-vite";
import { defineConfig, type Plugin } from "vite";

const station = process.env["STATION"] ?? "http://localhost:7480";

/** Writes the worker that keeps the page's own files, with the names of those that the first view needs. */
function worker(): Plugin {
  return {
    name: "worker",
    apply: "build",
    enforce: "post",
    generateBundle(_, bundle) {
      const first = Object.values(bundle).flatMap((file) => {
        if (file.type !== "chunk" || !file.isEntry) return [];
        const styles = [...((file as { viteMetadata?: { importedCss?: Set<string> } }).viteMetadata?.importedCss ?? [])];
        return [file.fileName, ...file.imports, ...styles];
      });
      const files = ["/", "/icon.svg", "/page.webmanifest", ...new Set(first.map((name) => `/${name}`))];
      const text = readFileSync(new URL("worker/sw.js", import.meta.url), "utf8");
      const version = createHash("sha256").update(files.join() + text).digest("hex").slice(0, 12);
      const source = text.replace("/* files */", files.map((name) => JSON.stringify(name)).join(", ")).replace("/* version */", version);
      this.emitFile({ type: "asset", fileName: "sw.js", source });
    },
  };
}

export default defineConfig({
  plugins: [preact({ devToolsEnabled: false }), worker()],
  build: {
    target: "es2022",
    // A data: address or an inlined script would ask for a wider policy.
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
  },
  server: { proxy: { "/api": station } },
  preview: { proxy: { "/api": station } },
});
