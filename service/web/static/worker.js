// Service worker: caches the core form and what it needs, so that a core can be logged without a connection.
const FILES = "underweir-files", PAGES = "underweir-pages";
const KEPT = [/*KEPT*/];

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const files = await caches.open(FILES);
    for (const key of await files.keys()) {
      const address = new URL(key.url);
      if (!KEPT.includes(address.pathname + address.search)) await files.delete(key);
    }
    await files.addAll(KEPT);
    const pages = await caches.open(PAGES);
    for (const path of ["/offline", "/cautions", "/round"]) await keep(pages, path);
    await self.skipWaiting();
  })());
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

const keep = async (pages, path) => {
  try {
    const answer = await fetch(path, { credentials: "same-origin", headers: { Accept: "text/html" } });
    if (answer.ok && !answer.redirected) await pages.put(path, answer);
  } catch { /* next time */ }
};

self.addEventListener("fetch", (event) => {
  const address = new URL(event.request.url);
  if (event.request.method !== "GET" || address.origin !== location.origin) return;
  if (address.pathname.startsWith("/static/")) {
    event.respondWith(caches.match(event.request).then((kept) => kept || fetch(event.request)));
  } else if (event.request.mode === "navigate") {
    event.respondWith(page(event.request, address));
  }
});

const page = async (request, address) => {
  const pages = await caches.open(PAGES);
  try {
    const answer = await fetch(request);
    if (["/round", "/cautions"].includes(address.pathname) && answer.ok && !answer.redirected && !address.search)
      await pages.put(address.pathname, answer.clone());
    return answer;
  } catch {
    return (await pages.match(address.pathname)) || (await pages.match("/offline")) || Response.error();
  }
};
