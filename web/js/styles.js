// Style sheets of parts that are loaded when they are needed.

import { el } from "./dom.js";

/** Load a style sheet. @param {string} href @returns {Promise<void>} */
export function styled(href) {
	const sheet = el("link", { rel: "stylesheet", href });
	document.head.append(sheet);
	return new Promise((done, fail) => {
		sheet.addEventListener("load", () => done());
		sheet.addEventListener("error", () => fail(new Error(`${href} was not loaded`)));
	});
}
