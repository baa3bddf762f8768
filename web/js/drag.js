// Measuring in a picture: it is dragged until the liquid is where it should have been. How far it went along the path is
// how far past its place the liquid was.

import { attr, text } from "./dom.js";
import { signed } from "./units.js";

/** @import { ShotView } from "../protocol.d.ts" */

/** How well a finger places what it drags, CSS pixels, standard deviation: own choice. */
const fingerPx = 5;

/** One measurement, of the picture in a frame. */
export class Drag {
	/** @type {{ x: number, y: number } | null} */ #from = null;
	#x = 0;
	#y = 0;

	/**
	 * @param {HTMLElement} frame what is dragged in, as wide as the picture
	 * @param {HTMLElement} img
	 * @param {HTMLElement} says
	 * @param {() => ShotView} shot
	 * @param {(past: number, sd: number) => void} measured mm
	 */
	constructor(frame, img, says, shot, measured) {
		this.frame = frame;
		this.img = img;
		this.says = says;
		this.shot = shot;
		frame.addEventListener("pointerdown", (e) => this.#begin(e));
		frame.addEventListener("pointermove", (e) => this.#move(e));
		frame.addEventListener("pointercancel", () => this.#put(0, 0));
		frame.addEventListener("pointerup", () => {
			if (!this.#from) return;
			this.#from = null;
			if (Math.hypot(this.#x, this.#y) >= 2) measured(this.past, this.sd);
			this.#put(0, 0);
		});
		frame.addEventListener("keydown", (e) => this.#key(e, measured));
	}

	/** How many mm a CSS pixel is. */
	get #scale() {
		return this.shot().field_mm / Math.max(this.frame.clientWidth, 1);
	}

	/** How far past its place the liquid was, mm along the path: it was dragged back by that. */
	get past() {
		const a = (this.shot().path_deg * Math.PI) / 180;
		return -(this.#x * Math.cos(a) - this.#y * Math.sin(a)) * this.#scale;
	}

	get sd() {
		return Math.max(0.1, fingerPx * this.#scale);
	}

	/** @param {PointerEvent} e */
	#begin(e) {
		if (!this.frame.hasAttribute("data-measuring")) return;
		this.#from = { x: e.clientX, y: e.clientY };
		this.frame.setPointerCapture(e.pointerId);
	}

	/** @param {PointerEvent} e */
	#move(e) {
		if (this.#from) this.#put(e.clientX - this.#from.x, e.clientY - this.#from.y);
	}

	/** Arrows drag by a pixel, with Shift by ten; Enter takes it. @param {KeyboardEvent} e @param {(past: number, sd: number) => void} measured */
	#key(e, measured) {
		if (!this.frame.hasAttribute("data-measuring")) return;
		const by = e.shiftKey ? 10 : 1;
		const way = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] }[e.key];
		if (way) {
			e.preventDefault();
			this.#put(this.#x + way[0], this.#y + way[1]);
		} else if (e.key === "Enter") {
			e.preventDefault();
			measured(this.past, this.sd);
			this.#put(0, 0);
		}
	}

	/** @param {number} x @param {number} y */
	#put(x, y) {
		this.#x = x;
		this.#y = y;
		this.img.style.transform = x === 0 && y === 0 ? "" : `translate(${x}px, ${y}px)`;
		attr(this.frame, "data-dragged", x !== 0 || y !== 0);
		text(this.says, x === 0 && y === 0 ? "" : pastWords(this.past, this.sd));
	}
}

/** How far past its place. @param {number} past @param {number} sd */
export const pastWords = (past, sd) =>
	`${signed(past, Math.abs(past) < 10 ? 1 : 0)} mm past its place, ± ${sd < 10 ? sd.toFixed(1) : sd.toFixed(0)} mm`;
