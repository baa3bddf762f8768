// How much light the screen gives, below what the browser and the phone can be set to.

import { attr, button, byId } from "./dom.js";
import { setDeviceItem, deviceItem } from "./store.js";

/** @typedef {"full" | "dim" | "dimmest"} Light */

/** @type {Record<Light, string>} */
const words = { full: "Normal", dim: "Dim", dimmest: "Dimmest" };

/** Makes the buttons of a group with which the page is dimmed. @param {string} id of the group */
export function makeDimmer(id) {
	const group = byId(id);
	for (const [light, word] of Object.entries(words)) {
		group.append(button({ "data-light": light, onclick: () => choose(/** @type {Light} */ (light)) }, word));
	}
	const before = deviceItem("light");
	choose(before !== null && before in words ? /** @type {Light} */ (before) : "full");

	/** @param {Light} light */
	function choose(light) {
		setDeviceItem("light", light);
		attr(document.documentElement, "data-dim", light !== "full" && light);
		for (const b of group.children) attr(b, "aria-pressed", `${b.getAttribute("data-light") === light}`);
	}
}
