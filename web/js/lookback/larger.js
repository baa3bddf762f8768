// The pictures of a frame: the small one on record, and a larger one: the machine makes it when it is asked for, while nothing is
// armed.

/** @import { CameraFrame, ShotView } from "../../protocol.d.ts" */

const askAgainMs = 3000;

/** The address of the small picture. @param {number} session @param {Pick<CameraFrame, "name" | "version">} f */
export const pictureOf = (session, f) => `/camera/${session}/picture?${new URLSearchParams({ name: f.name, of: f.version })}`;

/**
 * Shows it in an image once it is there.
 * @param {HTMLImageElement} img
 * @param {number} session
 * @param {Pick<CameraFrame, "name" | "version">} frame
 * @param {() => boolean} wanted whether it is still
 * @returns {Promise<boolean>} false: none can be made, or it is wanted no more
 */
export async function showLarger(img, session, frame, wanted) {
	const address = `/camera/${session}/large?${new URLSearchParams({ name: frame.name, of: frame.version })}`;
	while (wanted()) {
		const answer = await fetch(address).catch(() => null);
		if (answer?.status === 200) {
			await answer.blob(); // the browser has it then
			if (wanted()) img.src = address;
			return wanted();
		}
		if (answer?.status !== 202) return false;
		await new Promise((done) => setTimeout(done, askAgainMs));
	}
	return false;
}

/**
 * The enlarged picture of a shot in a strip gets the keys, and is the larger one if it is the camera's.
 * @param {HTMLDialogElement} dialog with the strip
 * @param {number} id the shot's
 * @param {number} session
 * @param {ShotView | null} shot
 * @param {() => boolean} inSight
 */
export function sharpen(dialog, id, session, shot, inSight) {
	const box = /** @type {HTMLElement | null} */ (dialog.querySelector(`figure[data-shot="${id}"] > .frame`));
	box?.focus({ preventScroll: true });
	const [img, frame] = [box?.querySelector("img"), shot?.camera];
	if (img && frame) showLarger(img, session, frame, () => dialog.open && inSight());
}
