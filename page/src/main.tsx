// Where the page begins.

import { render } from "preact";
import { App } from "./app.tsx";
import { whoAmI } from "./session.ts";
import "./style.css";

void whoAmI();
const place = document.getElementById("page");
if (place) render(<App />, place);

// A new version of the station no longer has the pieces of the old page: take the new one, once.
addEventListener("vite:preloadError", () => {
  const at = Number(sessionStorage.getItem("reloaded") ?? 0);
  if (Date.now() - at < 60_000) return;
  sessionStorage.setItem("reloaded", String(Date.now()));
  location.reload();
});

// Keeps the page itself, never its data, for a slow or lost line. Browsers allow it over TLS and on the machine itself.
if (import.meta.env.PROD && "serviceWorker" in navigator) void navigator.serviceWorker.register("/sw.js").catch(() => {});
