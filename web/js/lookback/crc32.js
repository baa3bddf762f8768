// The check of a file's bytes, which a damaged copy does not share with a good one: CRC-32 (ISO 3309). It needs nothing
// that a browser has only over https.

const table = Uint32Array.from({ length: 256 }, (_, n) => {
	for (let bit = 0; bit < 8; bit++) n = n & 1 ? (n >>> 1) ^ 0xedb88320 : n >>> 1;
	return n;
});

/** So much is in memory at once. */
const pieceBytes = 512 * 1024;

/**
 * In hexadecimal digits; "" when it was ended.
 * @param {Blob} file which throws if it cannot be read
 * @param {AbortSignal} signal
 */
export async function crc32(file, signal) {
	let sum = -1;
	for (let at = 0; at < file.size; at += pieceBytes) {
		const piece = new Uint8Array(await file.slice(at, at + pieceBytes).arrayBuffer());
		if (signal.aborted) return "";
		for (const byte of piece) sum = table[(sum ^ byte) & 255] ^ (sum >>> 8);
	}
	return (~sum >>> 0).toString(16).padStart(8, "0");
}
