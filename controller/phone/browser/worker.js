"use strict";
// Keeps what was last shown for when the network is gone.  It answers nothing but the page itself: an order goes
// to the network or nowhere, and is never kept or sent again.
const PATIENCE_MS = 10000;
const HEADERS = ["content-type", "content-security-policy", "x-content-type-options", "referrer-policy"];

async function keep() {
  const askedAt = Date.now();
  const answer = await fetch("/kept");
  if (answer.status === 401) return caches.delete("kept");
  if (!answer.ok) return false;
  const text = (await answer.text()).replace('data-kept=""', `data-kept="${askedAt}"`);
  const headers = HEADERS.map((name) => [name, answer.headers.get(name) ?? ""]);
  return (await caches.open("kept")).put("/kept", new Response(text, { headers }));
}

const late = () => new Promise((_, give) => setTimeout(give, PATIENCE_MS));

async function show(event) {
  try {
    const answer = await Promise.race([fetch(event.request), late()]);
    // sent to the log-in page: who may no longer look keeps nothing
    event.waitUntil(keep().catch(() => false));
    return answer;
  } catch {
    return (await caches.match("/kept")) ?? Response.error();
  }
}

addEventListener("install", (event) => { skipWaiting(); event.waitUntil(keep().catch(() => false)); });
addEventListener("activate", (event) => event.waitUntil(clients.claim()));
addEventListener("message", (event) => event.waitUntil(keep().catch(() => false)));
addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  if (method === "GET" && mode === "navigate" && new URL(url).pathname === "/") event.respondWith(show(event));
});
