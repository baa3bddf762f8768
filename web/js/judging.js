// While a shot is being judged nothing comes under the finger: a newer shot waits until the finger has gone elsewhere.

import { attr, byId, text } from "./dom.js";

/** @import { ShotView } from "../protocol.d.ts" */

/** How long after the last touch of the list a shot is still being judged. */
const judgingMs = 6000;
/** A press that begins so soon after a shot has come was meant for what was there before. */
const surpriseMs = 700;

/** Decides which shots the list may show now. */
export class Judging {
	#down = false;
	#touched = -Infinity;
	#newest = 0;
	#early = false;
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #timer;
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #fresh;

	/** @param {HTMLElement} list of the shots @param {() => void} again to be called when the list may show more */
	constructor(list, again) {
		this.list = list;
		this.again = again;
		const capture = { capture: true };
		addEventListener("pointerdown", (e) => this.#press(e), capture);
		for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => (this.#down = false), capture);
		list.addEventListener("click", (e) => this.#click(e), capture);
		list.addEventListener("focusout", () => queueMicrotask(() => this.again()));
		byId("shots-newer").addEventListener("click", () => this.#goOn());
	}

	/**
	 * The shots to show now, newest first: all, or while an older one is being judged those that were there.
	 * @param {ShotView[]} shots
	 */
	admit(shots) {
		const newest = shots[0]?.id ?? 0;
		const known = shots.findIndex((s) => s.id === this.#newest);
		clearTimeout(this.#timer);
		const wait = known > 0 && this.#judged;
		const newer = byId("shots-newer");
		newer.hidden = !wait;
		text(newer, known > 1 ? `Show ${known} newer shots` : "Show the newer shot");
		if (wait) {
			this.#timer = setTimeout(this.again, judgingMs);
			return shots.slice(known);
		}
		if (newest !== this.#newest && this.#newest !== 0) this.#refresh();
		this.#newest = newest;
		return shots;
	}

	#refresh() {
		attr(this.list, "data-fresh", true);
		clearTimeout(this.#fresh);
		this.#fresh = setTimeout(() => attr(this.list, "data-fresh", null), surpriseMs);
	}

	/** A finger is on the list, or was a moment ago, or a note is being written. */
	get #judged() {
		const field = document.activeElement;
		const writing = field instanceof HTMLInputElement && this.list.contains(field);
		return this.#down || writing || performance.now() - this.#touched < judgingMs;
	}

	/** @param {PointerEvent} e */
	#press(e) {
		const inside = e.target instanceof Node && this.list.contains(e.target);
		this.#early = inside && this.list.hasAttribute("data-fresh");
		this.#down = inside;
		this.#touched = inside ? performance.now() : -Infinity;
	}

	/** @param {MouseEvent} e */
	#click(e) {
		if (e.detail === 0 || !this.#early) return; // keys and assistive technology know what they are on
		e.preventDefault();
		e.stopImmediatePropagation();
	}

	#goOn() {
		this.#touched = -Infinity;
		this.again();
	}
}
