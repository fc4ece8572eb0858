// A one-port trace for drawing: frequency and return loss. The server judges;
// this only draws, and says when it cannot.

export interface Trace {
	/** Megahertz, rising. */
	frequency: number[];
	/** Return loss in dB, positive. */
	loss: number[];
	/** Reference resistance, ohm. */
	reference: number;
}

const MOST = 200_000;
const unit: Readonly<Record<string, number>> = { HZ: 1e-6, KHZ: 1e-3, MHZ: 1, GHZ: 1e3 };

/**
 * Reads a Touchstone 1.x one-port file of scattering parameters in MA, DB or RI
 * form. Undefined for anything else: version 2, other parameters, more ports,
 * numbers that are none, frequencies that do not rise.
 */
export function readTouchstone(text: string): Trace | undefined {
	let scale = 1e3;
	let form = "MA";
	let reference = 50;
	let options = false;
	const out: Trace = { frequency: [], loss: [], reference };
	for (const raw of text.split(/\r\n?|\n/)) {
		const line = raw.split("!")[0]!.trim();
		if (line === "") continue;
		if (line.startsWith("[")) return undefined;
		if (line.startsWith("#")) {
			if (options) continue; // only the first option line counts
			options = true;
			const words = line
				.slice(1)
				.trim()
				.toUpperCase()
				.split(/\s+/)
				.filter((w) => w !== "");
			for (let i = 0; i < words.length; i++) {
				const w = words[i]!;
				if (unit[w] !== undefined) scale = unit[w];
				else if (w === "MA" || w === "DB" || w === "RI") form = w;
				else if (w === "R") {
					reference = Number(words[++i]);
					if (!(reference > 0)) return undefined;
				} else if (w !== "S") return undefined;
			}
			continue;
		}
		const n = line.split(/\s+/).map(Number);
		if (n.length !== 3 || n.some((v) => !Number.isFinite(v)) || out.frequency.length >= MOST) return undefined;
		const f = n[0]! * scale;
		if (f < 0 || f <= (out.frequency.at(-1) ?? -1)) return undefined;
		const level = form === "DB" ? n[1]! : 20 * Math.log10(form === "RI" ? Math.hypot(n[1]!, n[2]!) : Math.abs(n[1]!));
		out.frequency.push(f);
		out.loss.push(-level);
	}
	out.reference = reference;
	return out.frequency.length >= 2 ? out : undefined;
}
