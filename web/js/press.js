// Presses that were not meant for what they hit.

import { attr } from "./dom.js";

/** A press that begins so soon after something else has come to its place was meant for what was there before. */
const settleMs = 700;

/** An area whose content changes by itself: for a moment after that it takes no press. */
export class SettlingArea {
	#early = false;
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #timer;

	/** @param {HTMLElement} area */
	constructor(area) {
		this.area = area;
		const capture = { capture: true };
		addEventListener("pointerdown", (e) => (this.#early = area.hasAttribute("data-fresh") && within(area, e)), capture);
		area.addEventListener("click", (e) => this.#click(e), capture);
	}

	/** Its content was replaced just now. */
	changed() {
		attr(this.area, "data-fresh", true);
		clearTimeout(this.#timer);
		this.#timer = setTimeout(() => attr(this.area, "data-fresh", null), settleMs);
	}

	/** @param {MouseEvent} e */
	#click(e) {
		if (e.detail === 0 || !this.#early) return; // keys and assistive technology know what they are on
		e.preventDefault();
		e.stopImmediatePropagation();
	}
}

/** @param {Element} area @param {Event} e */
export const within = (area, e) => e.target instanceof Node && area.contains(e.target);

/** A press can end on a button that appeared under the finger, as on disarm after arming. No button receives that click. */
export function dropStrayClicks() {
	/** @type {Element | null} */
	let began = null;
	const buttonOf = (/** @type {Event} */ e) => (e.target instanceof Element ? e.target.closest("button") : null);
	addEventListener("pointerdown", (e) => (began = buttonOf(e)), true);
	addEventListener(
		"click",
		(e) => {
			const button = buttonOf(e);
			if (button && e.detail > 0 && button !== began) e.stopImmediatePropagation();
		},
		true,
	);
}
