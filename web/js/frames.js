// The pictures of practice shots: the last one stands first in its card, and a tap shows those of the session.

import { attr, button, byId, el, text } from "./dom.js";
import { icon } from "./icons.js";
import { chipWords } from "./shot.js";

/** @import { ShotView } from "../protocol.d.ts" */

const askAgainMs = 3000;
const maxAsks = 5;

/** One picture in a place that never changes its size: a coarse one comes first, then the whole. */
class Frame {
	#address = "";
	#wanted = "";
	#free = true;

	constructor() {
		this.img = el("img", { alt: "", width: 480, height: 320, decoding: "async", draggable: "false" });
		this.says = el("span", { class: "frame-says" });
		this.img.addEventListener("load", () => this.#loaded());
		this.img.addEventListener("error", () => this.#failed());
	}

	/**
	 * Pictures are made while nothing is armed.
	 * @param {ShotView} shot
	 * @param {boolean} free
	 */
	show(shot, free) {
		attr(this.img, "alt", shot.seen);
		if (shot.frame !== this.#address) {
			this.#address = shot.frame;
			this.#wanted = "";
			this.img.removeAttribute("src");
			attr(this.img, "data-state", "none");
		}
		if (free && !this.#free && this.img.dataset.state !== "whole") this.#wanted = ""; // what failed is asked for again
		this.#free = free;
		if (this.#wanted || !this.#address) return;
		text(this.says, "");
		if (free) this.#want(`/frames/${this.#address}?preview`);
	}

	/** @param {string} address */
	#want(address) {
		this.#wanted = address;
		this.img.src = address;
	}

	#loaded() {
		const whole = `/frames/${this.#address}`;
		attr(this.img, "data-state", this.#wanted === whole ? "whole" : "preview");
		if (this.#wanted === whole) return;
		this.#prepare(whole, this.#address);
	}

	/**
	 * Has the whole picture made while the coarse one is looked at. A slow machine takes longer than one answer may.
	 * @param {string} whole
	 * @param {string} shot
	 */
	#prepare(whole, shot, tries = maxAsks) {
		const next = new Image();
		next.addEventListener("load", () => shot === this.#address && this.#want(whole));
		next.addEventListener("error", () => setTimeout(() => {
			if (shot === this.#address && this.#free && tries > 1) this.#prepare(whole, shot, tries - 1);
		}, askAgainMs));
		next.src = whole;
	}

	#failed() {
		if (!this.#wanted) return;
		this.img.removeAttribute("src");
		attr(this.img, "data-state", "none");
		text(this.says, "No picture yet.");
		void this.#askAgain(this.#address);
	}

	/**
	 * A slow machine goes on making a picture when nobody waits any longer, and says so.
	 * @param {string} shot whose picture did not come
	 */
	async #askAgain(shot) {
		const address = `/frames/${shot}?preview`;
		const answer = await fetch(address).catch(() => null);
		if (shot !== this.#address || this.img.dataset.state !== "none") return;
		if (answer?.status === 200) this.#want(address);
		else if (answer?.status === 202) setTimeout(() => this.#free && this.#askAgain(shot), askAgainMs);
		else text(this.says, "No picture of this shot is kept.");
	}
}

export class Frames {
	#frame = new Frame();
	/** @type {ShotView[]} */ #shots = [];
	#free = true;
	/** @type {ShotView | null} */ #shot = null;

	constructor() {
		this.node = byId("frame");
		this.dialog = /** @type {HTMLDialogElement} */ (byId("frames"));
		this.node.append(this.#frame.img, this.#frame.says, el("span", { class: "frame-mark" }, "practice"));
		this.node.addEventListener("click", () => this.#open());
	}

	/**
	 * @param {ShotView[]} shots those of the session, newest first
	 * @param {ShotView | null} shot the one in the card
	 * @param {boolean} free nothing is armed
	 */
	show(shots, shot, free) {
		this.#shots = shots.filter((s) => s.frame !== "");
		this.#shot = shot;
		this.#free = free;
		if (!free && this.dialog.open) this.dialog.close();
		const has = Boolean(shot?.frame);
		this.node.hidden = !has;
		attr(byId("shot"), "data-framed", has);
		if (!shot || !has) return;
		attr(this.node, "aria-label", `Picture of practice shot ${shot.number}: ${shot.seen}. Show those of the session`);
		this.#frame.show(shot, free);
	}

	/** All of the session's, to flick through: each is made when it comes into sight. */
	#open() {
		const strip = el("div", { class: "strip", tabindex: "0", role: "group", "aria-label": "Pictures of this session" });
		/** @type {Map<Element, () => void>} */ const comes = new Map();
		const sight = new IntersectionObserver((seen) => {
			for (const one of seen) if (one.isIntersecting) comes.get(one.target)?.();
		}, { root: strip });
		for (const shot of this.#shots) {
			const frame = new Frame();
			const words = el("figcaption", {}, el("b", {}, `No. ${shot.number}`), ` ${chipWords(shot)}`, el("p", {}, shot.seen));
			const mark = el("span", { class: "frame-mark" }, "practice");
			const figure = el("figure", {}, el("div", { class: "frame" }, frame.img, frame.says, mark), words);
			comes.set(figure, () => frame.show(shot, this.#free));
			strip.append(figure);
			sight.observe(figure);
		}
		const by = (/** @type {number} */ n) => strip.scrollBy({ left: n * strip.clientWidth });
		this.dialog.replaceChildren(strip, el("div", { class: "strip-steps" },
			button({ "aria-label": "Newer picture", onclick: () => by(-1) }, icon("back")),
			button({ onclick: () => this.dialog.close() }, "Close"),
			button({ "aria-label": "Older picture", onclick: () => by(1) }, icon("onward"))));
		this.dialog.addEventListener("close", () => sight.disconnect(), { once: true });
		this.dialog.showModal();
		const at = this.#shots.findIndex((s) => s.id === this.#shot?.id);
		strip.scrollLeft = Math.max(at, 0) * strip.clientWidth;
	}
}
