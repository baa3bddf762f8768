// Marks on a picture: a tap puts one there, a finger that slides moves it without covering it, and so do the arrow keys.

import { attr, el, text } from "../dom.js";

/** A slide that is shorter is a tap. */
const tapPx = 8;

/** @typedef {{ x: number, y: number }} Place shares of the picture's width and height, from its top left */

export class Marks {
	/** @type {Place[]} */ #at = [];
	#active = 0;
	#taps = 0;
	/** @type {{ x: number, y: number, was: Place } | null} */ #from = null;

	/**
	 * @param {HTMLElement} box as large as the picture
	 * @param {string[]} names of the marks
	 * @param {() => void} changed
	 */
	constructor(box, names, changed) {
		this.box = box;
		this.names = names;
		this.changed = changed;
		this.says = el("span", { class: "spoken", role: "status" });
		this.nodes = names.map((_, i) => el("button", { type: "button", class: "point", onfocus: () => this.#choose(i), onkeydown: (/** @type {KeyboardEvent} */ e) => this.#key(e) }, names.length > 1 ? `${i + 1}` : ""));
		box.append(...this.nodes, this.says);
		box.addEventListener("pointerdown", (e) => this.#begin(e));
		box.addEventListener("pointermove", (e) => this.#slide(e));
		box.addEventListener("pointerup", (e) => this.#end(e));
		box.addEventListener("pointercancel", () => (this.#from = null));
		this.hide();
	}

	get shown() {
		return this.#at.length > 0;
	}

	get places() {
		return this.#at;
	}

	/** @param {Place[]} places one for each mark */
	show(places) {
		this.#at = places.map((p) => ({ ...p }));
		this.#taps = 0;
		this.nodes.forEach((n) => (n.hidden = false));
		this.nodes[0].focus();
		this.#draw();
	}

	hide() {
		this.#at = [];
		text(this.says, "");
		this.nodes.forEach((n) => (n.hidden = true));
	}

	/** @param {number} i */
	#choose(i) {
		this.#active = i;
		this.nodes.forEach((n, k) => attr(n, "data-active", k === i));
	}

	/** @param {PointerEvent} e */
	#begin(e) {
		if (!this.shown) return;
		e.preventDefault(); // the focus stays on the mark
		this.box.setPointerCapture(e.pointerId);
		this.#from = { x: e.clientX, y: e.clientY, was: { ...this.#at[this.#active] } };
	}

	/** @param {PointerEvent} e */
	#slide(e) {
		if (!this.#from) return;
		const [x, y] = [e.clientX - this.#from.x, e.clientY - this.#from.y];
		if (Math.hypot(x, y) >= tapPx) this.#put(this.#active, this.#from.was.x + x / this.box.clientWidth, this.#from.was.y + y / this.box.clientHeight);
	}

	/** @param {PointerEvent} e */
	#end(e) {
		const from = this.#from;
		this.#from = null;
		if (!from || Math.hypot(e.clientX - from.x, e.clientY - from.y) >= tapPx) return;
		const r = this.box.getBoundingClientRect();
		const [x, y] = [(e.clientX - r.left) / r.width, (e.clientY - r.top) / r.height];
		const i = this.#taps < this.#at.length ? this.#taps : this.#nearest(x, y);
		this.#taps++;
		this.nodes[i].focus();
		this.#put(i, x, y);
	}

	/** @param {number} x @param {number} y */
	#nearest(x, y) {
		const far = this.#at.map((p) => Math.hypot(p.x - x, p.y - y));
		return far.indexOf(Math.min(...far));
	}

	/** By a pixel, with Shift by ten. @param {KeyboardEvent} e */
	#key(e) {
		const by = e.shiftKey ? 10 : 1;
		const way = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] }[e.key];
		if (!way) return;
		e.preventDefault();
		const p = this.#at[this.#active];
		this.#put(this.#active, p.x + way[0] / this.box.clientWidth, p.y + way[1] / this.box.clientHeight);
	}

	/** @param {number} i @param {number} x @param {number} y */
	#put(i, x, y) {
		const within = (/** @type {number} */ v) => Math.min(Math.max(v, 0), 1);
		this.#at[i] = { x: within(x), y: within(y) };
		this.#draw();
		text(this.says, this.#words(i));
		this.changed();
	}

	#draw() {
		this.nodes.forEach((n, i) => {
			const p = this.#at[i];
			n.style.left = `${p.x * 100}%`;
			n.style.top = `${p.y * 100}%`;
			attr(n, "aria-label", this.#words(i));
		});
	}

	/** @param {number} i */
	#words(i) {
		const share = (/** @type {number} */ v) => (v * 100).toFixed(1);
		return `${this.names[i]}: ${share(this.#at[i].x)} % from the left, ${share(this.#at[i].y)} % from the top`;
	}
}
