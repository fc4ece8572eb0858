// The service worker: keeps the whole client on the phone, so that it opens
// without coverage. It never touches calls to the server, photos or the
// database, and a new version waits until the page says that nobody works.
const VERSION = "56a6c2aa29397bc7";
const FILES = ["/","/assets/index-CBYIIISA.css","/assets/index-DmIfwXgH.js","/assets/office-gu_7wwxx.css","/assets/office-lfB0w2ZI.js","/manifest.webmanifest","/icon.svg"];
const CACHE = `client-${VERSION}`;

self.addEventListener("install", (event) => {
	event.waitUntil(
		Promise.all(FILES.map((url) => fetch(new Request(url, { cache: "reload" })).then((answer) => ours(url, answer)))).then((answers) =>
			caches.open(CACHE).then((cache) => Promise.all(answers.map((answer, i) => cache.put(FILES[i], answer)))),
		),
	);
});

// A portal answers every address with a page of its own, and 200. Such an answer must never become the client.
async function ours(url, answer) {
	if (!answer.ok || answer.redirected) throw new Error(`${url}: ${answer.status}`);
	const page =
		url === "/" ? (await answer.clone().text()).includes('id="app"') : !/html/.test(answer.headers.get("Content-Type") ?? "html");
	if (!page) throw new Error(`${url} is not the client's`);
	return answer;
}

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
