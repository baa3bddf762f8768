// What a screen reader announces: changes of state, refusals and answers, in few words.

import { byId } from "./dom.js";

/** @param {string} id @returns {(words: string) => void} */
function speaker(id) {
	let last = "";
	return (words) => {
		// A live region stays silent when its text does not change: a trailing space makes the same words news again.
		last = words !== "" && words === last ? `${words} ` : words;
		byId(id).textContent = last;
	};
}

export const voice = {
	/** Said when the reader is free. */
	say: speaker("say"),
	/** Said at once. */
	alarm: speaker("alarm"),
};
