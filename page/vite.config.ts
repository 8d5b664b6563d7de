// How the page is built: plain files under dist/, which the station embeds. Nothing inline, so that the station's content policy can stay strict.
import preact from "@preact/preset-vite";
import { defineConfig } from "vite";

const station = process.env["STATION"] ?? "http://localhost:7480";

export default defineConfig({
  plugins: [preact({ devToolsEnabled: false })],
  build: {
    target: "es2022",
    // A data: address or an inlined script would ask for a wider policy.
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
  },
  server: { proxy: { "/api": station } },
});
