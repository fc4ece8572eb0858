/**
 * One writer per phone: the first page that asks holds the lock until it
 * closes. `held` is called with true when this page writes, with false while
 * another does. A browser without locks gets true: there one page is the rule.
 */
export function oneWriter(held: (mine: boolean) => void): void {
	if (!("locks" in navigator)) {
		held(true);
		return;
	}
	let mine = false;
	const forEver = () => {
		mine = true;
		held(true);
		return new Promise<never>(() => undefined);
	};
	void navigator.locks
		.request("witnessmark-writer", { ifAvailable: true }, (lock) => {
			if (lock) return forEver();
			held(false);
			// Wait in line: when the other page closes, this one takes over.
			void navigator.locks.request("witnessmark-writer", forEver).catch(() => undefined);
		})
		.catch(() => {
			if (!mine) held(true);
		});
}
