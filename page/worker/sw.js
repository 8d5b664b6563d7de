// Keeps the page itself for a slow or lost line: its files, never an answer of the API. What is shown as measured has always just come from
// the station; without a line the page opens and says that there is none.

const FILES = [/* files */];
const CACHE = "page-/* version */";
/** A line slower than this gets the page from here, ms. */
const PATIENCE_MS = 3000;

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches
      .open(CACHE)
      .then((cache) => cache.addAll(FILES))
      .then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    caches
      .keys()
      .then((names) => Promise.all(names.filter((name) => name.startsWith("page-") && name !== CACHE).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

/** Files whose name holds a hash of their content never change. */
async function fixed(request) {
  const kept = await caches.match(request);
  if (kept) return kept;
  const response = await fetch(request);
  if (response.ok) {
    const cache = await caches.open(CACHE);
    await cache.put(request, response.clone());
  }
  return response;
}

/** The page as the station has it; as it was kept where the station does not answer in time. */
async function page(request) {
  const kept = await caches.match("/");
  const fresh = fetch(request);
  if (!kept) return fresh;
  fresh.catch(() => {});
  const late = new Promise((done) => setTimeout(() => done(kept), PATIENCE_MS));
  return Promise.race([fresh.then((response) => (response.ok ? response : kept)).catch(() => kept), late]);
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/assets/")) event.respondWith(fixed(request));
  else if (request.mode === "navigate" && !/^\/(api|health|metrics)(\/|$)/.test(url.pathname)) event.respondWith(page(request));
});
