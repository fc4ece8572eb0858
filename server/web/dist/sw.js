// The service worker: keeps the whole client on the phone, so that it opens
// without coverage. It never touches calls to the server, photos or the
// database, and a new version waits until the page says that nobody works.
const VERSION = "e5d7d22c02ad3c95";
const FILES = ["/","/assets/index-BPJ5nZeQ.js","/assets/index-CBYIIISA.css","/assets/office-DmSFN0jJ.js","/assets/office-s1cmiUGl.css","/manifest.webmanifest","/icon.svg"];
const CACHE = `client-${VERSION}`;

self.addEventListener("install", (event) => {
	event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(FILES.map((url) => new Request(url, { cache: "reload" })))));
});

self.addEventListener("activate", (event) => {
	event.waitUntil(
		caches
			.keys()
			.then((names) => Promise.all(names.filter((n) => n.startsWith("client-") && n !== CACHE).map((n) => caches.delete(n))))
			.then(() => self.clients.claim()),
	);
});

self.addEventListener("message", (event) => {
	if (event.data === "skip-waiting") self.skipWaiting();
	if (event.data === "version") event.source.postMessage({ version: VERSION });
});

// Paths that belong to the server, never to the client.
const SERVER = /^\/(v1|jobs|share|healthz|readyz|metrics|grpc\.|witnessmark\.)/;

self.addEventListener("fetch", (event) => {
	const url = new URL(event.request.url);
	if (event.request.method !== "GET" || url.origin !== self.location.origin || SERVER.test(url.pathname)) return;
	if (event.request.mode === "navigate") {
		event.respondWith(
			caches
				.open(CACHE)
				.then((c) => c.match("/"))
				.then((page) => page ?? fetch(event.request)),
		);
		return;
	}
	if (FILES.includes(url.pathname)) {
		event.respondWith(
			caches
				.open(CACHE)
				.then((c) => c.match(url.pathname))
				.then((file) => file ?? fetch(event.request)),
		);
	}
});
