import { type Bytes, bytes, join, sha256 } from "../bytes";

const LEAF = bytes([0]);
const NODE = bytes([1]);

/** Hash of a leaf, RFC 9162 section 2.1.1: SHA-256 over 0x00 and the line. */
export function leafHash(line: Uint8Array): Promise<Bytes> {
	return sha256(join(LEAF, line));
}

function nodeHash(left: Uint8Array, right: Uint8Array): Promise<Bytes> {
	return sha256(join(NODE, left, right));
}

/**
 * A Merkle tree that only grows, RFC 9162 section 2.1: it keeps one hash for
 * each whole subtree, so that its root can be had after each line.
 */
export class Tree {
	private whole: { hash: Bytes; leaves: number }[] = [];
	private count = 0;

	/** Number of lines so far. */
	get size(): number {
		return this.count;
	}

	/** Adds a line's bytes, without its newline. Lines are added one after another, never at once. */
	async append(line: Uint8Array): Promise<void> {
		let hash = await leafHash(line);
		let leaves = 1;
		while (this.whole.at(-1)?.leaves === leaves) {
			hash = await nodeHash(this.whole.pop()!.hash, hash);
			leaves *= 2;
		}
		this.whole.push({ hash, leaves });
		this.count++;
	}

	/** The root of the lines so far; of none, the hash of nothing. */
	async root(): Promise<Bytes> {
		let at = this.whole.length - 1;
		if (at < 0) return sha256(bytes([]));
		let hash = this.whole[at]!.hash;
		while (--at >= 0) hash = await nodeHash(this.whole[at]!.hash, hash);
		return hash;
	}
}
