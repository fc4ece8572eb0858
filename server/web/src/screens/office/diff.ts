// Two texts beside each other, line by line. Pure.

export interface DiffRow {
	left: string | undefined;
	right: string | undefined;
	same: boolean;
}

const MOST = 4000;

/**
 * Rows of two texts beside each other by a longest common subsequence of lines.
 * Beyond 4,000 lines that differ on a side the middle is shown as all changed:
 * memory grows with the product of the two.
 */
export function diff(a: string, b: string): DiffRow[] {
	const l = a.split(/\r\n?|\n/);
	const r = b.split(/\r\n?|\n/);
	let head = 0;
	while (head < l.length && head < r.length && l[head] === r[head]) head++;
	let tail = 0;
	while (tail < l.length - head && tail < r.length - head && l[l.length - 1 - tail] === r[r.length - 1 - tail]) tail++;
	const out: DiffRow[] = [];
	for (let i = 0; i < head; i++) out.push({ left: l[i]!, right: r[i]!, same: true });
	out.push(...middle(l.slice(head, l.length - tail), r.slice(head, r.length - tail)));
	for (let i = tail; i > 0; i--) out.push({ left: l[l.length - i]!, right: r[r.length - i]!, same: true });
	return out;
}

function middle(l: string[], r: string[]): DiffRow[] {
	if (l.length > MOST || r.length > MOST || l.length * r.length > 8_000_000) return pair(l, r);
	// common[i][k]: length of the longest common subsequence of l from i and r from k.
	const w = r.length + 1;
	const common = new Uint16Array((l.length + 1) * w);
	for (let i = l.length - 1; i >= 0; i--)
		for (let k = r.length - 1; k >= 0; k--)
			common[i * w + k] = l[i] === r[k] ? common[(i + 1) * w + k + 1]! + 1 : Math.max(common[(i + 1) * w + k]!, common[i * w + k + 1]!);
	const out: DiffRow[] = [];
	let gone: string[] = [];
	let added: string[] = [];
	const flush = () => {
		out.push(...pair(gone, added));
		gone = [];
		added = [];
	};
	let i = 0;
	let k = 0;
	while (i < l.length || k < r.length) {
		if (i < l.length && k < r.length && l[i] === r[k]) {
			flush();
			out.push({ left: l[i++]!, right: r[k++]!, same: true });
		} else if (k >= r.length || (i < l.length && common[(i + 1) * w + k]! >= common[i * w + k + 1]!)) gone.push(l[i++]!);
		else added.push(r[k++]!);
	}
	flush();
	return out;
}

function pair(l: string[], r: string[]): DiffRow[] {
	const out: DiffRow[] = [];
	for (let i = 0; i < Math.max(l.length, r.length); i++) out.push({ left: l[i], right: r[i], same: false });
	return out;
}

/** Only what differs, with a few lines around each place; undefined stands for a gap. */
export function around(rows: readonly DiffRow[], lines = 3): (DiffRow | undefined)[] {
	const keep = new Set<number>();
	rows.forEach((r, i) => {
		if (r.same) return;
		for (let k = Math.max(0, i - lines); k <= Math.min(rows.length - 1, i + lines); k++) keep.add(k);
	});
	const out: (DiffRow | undefined)[] = [];
	let last = -1;
	for (const i of [...keep].sort((a, b) => a - b)) {
		if (i > last + 1) out.push(undefined);
		out.push(rows[i]);
		last = i;
	}
	if (keep.size > 0 && last < rows.length - 1) out.push(undefined);
	return out;
}
