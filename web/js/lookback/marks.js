// Marks on a picture: a tap puts one there, a finger that slides moves it without covering it, and so do the arrow keys.
// When each has its place a tap on one only chooses it: it is moved from then on.

import { attr, el, text } from "../dom.js";

/** A finger that moves less is still, and of what it moves beyond nothing is lost: while marks are put, and then. Own choice. */
const stillPx = { placing: 8, placed: 3 };
/** A tap so near to another mark chooses it: half of its target. */
const choosePx = 24;

/** @typedef {{ x: number, y: number }} Place shares of the picture's width and height, from its top left */

export class Marks {
	/** @type {Place[]} */ #at = [];
	#active = 0;
	#taps = 0;
	/** Where a finger came or began to slide, and then how the mark was. @type {{ x: number, y: number, was: Place | null } | null} */ #from = null;

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

	/** @param {Place[]} places one for each mark @param {boolean} placed somebody gave them these */
	show(places, placed) {
		this.#at = places.map((p) => ({ ...p }));
		this.#taps = placed ? places.length : 0;
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

	/** Each has the place that somebody gave it. */
	get #placed() {
		return this.#taps >= this.#at.length;
	}

	/** @param {PointerEvent} e */
	#begin(e) {
		if (!this.shown) return;
		e.preventDefault(); // the focus stays on the mark
		this.box.setPointerCapture(e.pointerId);
		this.#from = { x: e.clientX, y: e.clientY, was: null };
	}

	/** @param {PointerEvent} e */
	#slide(e) {
		const from = this.#from;
		if (!from) return;
		if (!from.was) {
			if (Math.hypot(e.clientX - from.x, e.clientY - from.y) < (this.#placed ? stillPx.placed : stillPx.placing)) return;
			this.#from = { x: e.clientX, y: e.clientY, was: { ...this.#at[this.#active] } };
			return;
		}
		this.#put(this.#active, from.was.x + (e.clientX - from.x) / this.box.clientWidth, from.was.y + (e.clientY - from.y) / this.box.clientHeight);
	}

	/** @param {PointerEvent} e */
	#end(e) {
		const from = this.#from;
		this.#from = null;
		if (!from || from.was) return;
		const r = this.box.getBoundingClientRect();
		const [x, y] = [e.clientX - r.left, e.clientY - r.top];
		const far = this.#at.map((p) => Math.hypot(p.x * r.width - x, p.y * r.height - y));
		const nearest = Math.min(...far);
		if (this.#placed && nearest <= choosePx) return this.nodes[far.indexOf(nearest)].focus();
		const i = this.#placed ? this.#active : this.#taps++;
		this.nodes[i].focus();
		this.#put(i, x / r.width, y / r.height);
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
