// What a person two metres away needs while it is armed: the state in large letters, the shots and the time left, what
// it waits for. The phone leans on a shelf.

import { byId, text } from "./dom.js";
import { drawRing } from "./drawings/ring.js";
import { lostWords, minutes, reasonWords } from "./words.js";

/** @import { Snapshot } from "../protocol.d.ts" */

export class Armed {
	#ring = "";

	constructor() {
		new ResizeObserver(() => fitWord()).observe(document.querySelector("header.state") ?? document.body);
	}

	/**
	 * @param {Snapshot} snap
	 * @param {boolean} online
	 * @param {boolean} holding whether this phone holds the controls
	 * @param {string} notice what else must be said now, "" nothing
	 */
	show(snap, online, holding, notice) {
		const n = snap.armed_left;
		text(byId("armed-number"), n > 0 ? `${n}` : "");
		text(byId("armed-shots"), n > 0 ? ` ${n === 1 ? "shot" : "shots"} left` : "");
		text(byId("armed-notice"), notice);
		text(byId("armed-waits"), online ? reasonWords(snap) : lostWords(snap, holding));
		fitWord();
	}

	/** Shows the time left. @param {number | null} left ms, null: not known @param {number} all ms */
	tick(left, all) {
		const words = left === null ? "" : minutes(left);
		const key = `${words} ${all}`;
		if (key === this.#ring) return;
		this.#ring = key;
		byId("armed-ring").replaceChildren(...(left === null ? [] : [drawRing(all > 0 ? left / all : 1, words)]));
	}
}

/** The state's word as large as the header has room for, in its width with a margin and in its height. */
function fitWord() {
	const word = byId("state-word");
	const header = /** @type {HTMLElement} */ (word.closest("header"));
	const pen = document.createElement("canvas").getContext("2d");
	if (!pen || header.clientWidth === 0) return;
	pen.font = `700 100px ${getComputedStyle(word).fontFamily}`;
	const size = pen.measureText(word.textContent ?? "");
	const ink = size.actualBoundingBoxAscent + size.actualBoundingBoxDescent;
	const low = size.fontBoundingBoxAscent - size.fontBoundingBoxDescent - size.actualBoundingBoxAscent + size.actualBoundingBoxDescent;
	const fit = Math.min((header.clientWidth - 24) / size.width, (header.clientHeight - 6) / ink) * 100;
	header.style.setProperty("--word", `${Math.floor(fit)}px`);
	header.style.setProperty("--rise", `${-low / 200}em`); // the letters in the middle, not their line
}
