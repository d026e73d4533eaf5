/* Keeps pocket cards that were opened, and opens them where there is no network. The network comes first. */
"use strict";
const KEPT = "cards";
const CARD = /^\/cards\/[0-9a-f]{32}$/;
const PATIENCE_MS = 4000;

addEventListener("install", () => skipWaiting());
addEventListener("activate", (event) => event.waitUntil(clients.claim()));

/** Keep a card as the service gave it; one that is still being made is no card, and one that the service says is not there
 * any more is let go. Whether it is kept. */
async function keep(path, response) {
  const cache = await caches.open(KEPT);
  const isProblem = (response.headers.get("Content-Type") || "").startsWith("application/problem+json");
  if (response.status === 404 && isProblem) await cache.delete(path);
  if (response.status === 200 && !response.redirected) await cache.put(path, response);
  return Boolean(await cache.match(path));
}

addEventListener("message", (event) => {
  const path = event.data && event.data.keep;
  if (typeof path !== "string" || !CARD.test(path)) return;
  event.waitUntil(
    (async () => {
      let isThere;
      try {
        isThere = await keep(path, await fetch(path, { headers: { Accept: "text/html" } }));
      } catch {
        isThere = Boolean(await (await caches.open(KEPT)).match(path)); // without a network what is kept stays
      }
      if (isThere && event.source) event.source.postMessage({ kept: path });
    })(),
  );
});

addEventListener("fetch", (event) => {
  const path = new URL(event.request.url).pathname;
  if (event.request.method !== "GET" || event.request.mode !== "navigate" || !CARD.test(path)) return;
  event.respondWith(opened(event.request, path));
});

async function opened(request, path) {
  const kept = await (await caches.open(KEPT)).match(path);
  try {
    const late = kept ? AbortSignal.timeout(PATIENCE_MS) : undefined;
    const response = await fetch(request, { signal: late });
    if (response.status >= 500 && kept) return kept;
    await keep(path, response.clone());
    return response;
  } catch (error) {
    if (kept) return kept;
    throw error;
  }
}
