import { type Bytes, bytes } from "../bytes";

/** What a quick look at a picture's own pixels says. It warns and never blocks. */
export interface Look {
	/** Variance of the Laplacian on a copy 512 px wide; low means soft. */
	sharpness: number;
	/** Mean brightness, 0 to 255. */
	brightness: number;
	/** A JPEG of 160 px for lists. */
	small: Bytes;
}

/** Below these the screen says 'blurred' or 'dark'. Ours, by trial on pictures of connectors; no source. */
export const SOFT = 60;
export const DARK = 40;

/** Looks at a picture; undefined where this browser cannot show it (such as HEIC outside of one engine). */
export async function lookAt(content: Bytes, mediaType: string): Promise<Look | undefined> {
	try {
		const bitmap = await createImageBitmap(new Blob([content], { type: mediaType }));
		const scale = Math.min(1, 512 / Math.max(bitmap.width, bitmap.height));
		const w = Math.max(3, Math.round(bitmap.width * scale));
		const h = Math.max(3, Math.round(bitmap.height * scale));
		const canvas = document.createElement("canvas");
		canvas.width = w;
		canvas.height = h;
		const context = canvas.getContext("2d", { willReadFrequently: true });
		if (!context) return undefined;
		context.drawImage(bitmap, 0, 0, w, h);
		const { sharpness, brightness } = measurePixels(context.getImageData(0, 0, w, h).data, w, h);
		const thumb = document.createElement("canvas");
		const ts = Math.min(1, 160 / Math.max(w, h));
		thumb.width = Math.max(1, Math.round(w * ts));
		thumb.height = Math.max(1, Math.round(h * ts));
		thumb.getContext("2d")?.drawImage(canvas, 0, 0, thumb.width, thumb.height);
		const small = await jpeg(thumb, 0.7);
		bitmap.close();
		return { sharpness, brightness, small: small ?? bytes([]) };
	} catch {
		return undefined;
	}
}

/** Variance of the 4-neighbour Laplacian and mean, of RGBA pixels. */
export function measurePixels(rgba: ArrayLike<number>, w: number, h: number): { sharpness: number; brightness: number } {
	const grey = new Float32Array(w * h);
	let sum = 0;
	for (let i = 0; i < grey.length; i++) {
		grey[i] = 0.299 * rgba[4 * i]! + 0.587 * rgba[4 * i + 1]! + 0.114 * rgba[4 * i + 2]!;
		sum += grey[i]!;
	}
	let n = 0;
	let total = 0;
	let squares = 0;
	for (let y = 1; y < h - 1; y++) {
		for (let x = 1; x < w - 1; x++) {
			const i = y * w + x;
			const l = grey[i - 1]! + grey[i + 1]! + grey[i - w]! + grey[i + w]! - 4 * grey[i]!;
			n++;
			total += l;
			squares += l * l;
		}
	}
	const mean = n ? total / n : 0;
	return { sharpness: n ? squares / n - mean * mean : 0, brightness: grey.length ? sum / grey.length : 0 };
}

/** A JPEG copy of a picture that this browser can show, for a server that cannot; undefined where it cannot. */
export async function jpegCopy(content: Bytes, mediaType: string): Promise<Bytes | undefined> {
	try {
		const bitmap = await createImageBitmap(new Blob([content], { type: mediaType }));
		const canvas = document.createElement("canvas");
		canvas.width = bitmap.width;
		canvas.height = bitmap.height;
		canvas.getContext("2d")?.drawImage(bitmap, 0, 0);
		bitmap.close();
		return await jpeg(canvas, 0.9);
	} catch {
		return undefined;
	}
}

function jpeg(canvas: HTMLCanvasElement, quality: number): Promise<Bytes | undefined> {
	return new Promise((done) =>
		canvas.toBlob((b) => (b ? void b.arrayBuffer().then((a) => done(new Uint8Array(a))) : done(undefined)), "image/jpeg", quality),
	);
}
