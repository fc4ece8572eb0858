import { render } from "preact";
import { App } from "./app";
import { phone } from "./store/phone";
import "./look.css";

void phone.start();
render(<App />, document.getElementById("app")!);

// The worker keeps the client on the phone. A new version waits until the person takes it from the list of jobs.
if ("serviceWorker" in navigator && import.meta.env.PROD) {
	void navigator.serviceWorker.register("/sw.js").then((registration) => {
		const waits = () => registration.waiting && navigator.serviceWorker.controller && phone.updateReady();
		waits();
		registration.addEventListener("updatefound", () => registration.installing?.addEventListener("statechange", waits));
	});
	let reloading = false;
	const had = navigator.serviceWorker.controller !== null;
	navigator.serviceWorker.addEventListener("controllerchange", () => {
		if (!had || reloading) return;
		reloading = true;
		location.reload();
	});
}
