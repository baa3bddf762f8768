// A larger picture of a frame than the small one on record: the machine makes it when it is asked for, while nothing is
// armed.

const askAgainMs = 3000;

/**
 * Shows it in an image once it is there.
 * @param {HTMLImageElement} img
 * @param {number} session
 * @param {string} name
 * @param {() => boolean} wanted whether it is still
 * @returns {Promise<boolean>} false: none can be made, or it is wanted no more
 */
export async function showLarger(img, session, name, wanted) {
	const address = `/camera/${session}/large?${new URLSearchParams({ name })}`;
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
