// While a shot is being judged nothing comes under the finger: a newer shot waits until the finger has gone elsewhere.

import { text } from "./dom.js";
import { SettlingArea, within } from "./press.js";

/** @import { ShotView } from "../protocol.d.ts" */

/** How long after the last touch a shot is still being judged. */
const judgingMs = 6000;

/** Decides which shots may be shown now. */
export class Judging {
	#down = false;
	#touched = -Infinity;
	#newest = 0;
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #timer;

	/**
	 * @param {HTMLElement} area in which a shot is judged
	 * @param {HTMLElement} newer the button that shows what waits
	 * @param {() => void} again to be called when more may be shown
	 */
	constructor(area, newer, again) {
		this.area = area;
		this.newer = newer;
		this.again = again;
		this.settling = new SettlingArea(area);
		const capture = { capture: true };
		addEventListener("pointerdown", (e) => this.#press(e), capture);
		for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => (this.#down = false), capture);
		area.addEventListener("focusout", () => queueMicrotask(() => this.again()));
		newer.addEventListener("click", () => this.#goOn());
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
		this.newer.hidden = !wait;
		text(this.newer, known > 1 ? `Show ${known} newer shots` : "Show the newer shot");
		if (wait) {
			this.#timer = setTimeout(this.again, judgingMs);
			return shots.slice(known);
		}
		if (newest !== this.#newest && this.#newest !== 0) this.settling.changed();
		this.#newest = newest;
		return shots;
	}

	/** A finger is on it, or was a moment ago, or a note is being written in it. */
	get #judged() {
		const field = document.activeElement;
		const writing = field !== null && field.matches(".note input") && this.area.contains(field);
		return this.#down || writing || performance.now() - this.#touched < judgingMs;
	}

	/** @param {PointerEvent} e */
	#press(e) {
		this.#down = within(this.area, e) && !within(this.newer, e);
		this.#touched = this.#down ? performance.now() : -Infinity;
	}

	#goOn() {
		this.#touched = -Infinity;
		this.again();
	}
}
