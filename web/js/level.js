// How loud a microphone is, and the threshold above which a sound counts.

import { attr, el, text } from "./dom.js";

/** @import { InputView } from "../protocol.d.ts" */

const full = 511; // half of the range of a 10-bit converter

export class LevelBar {
	/** @param {string} name @param {(level: number) => void} set */
	constructor(name, set) {
		this.fill = el("span", { class: "level-now" });
		this.peak = el("span", { class: "level-peak" });
		this.bar = el("div", { class: "level", role: "img" }, this.fill, this.peak);
		this.words = el("p", { class: "hint" });
		this.slider = el("input", { type: "range", min: 1, max: full, id: `threshold-${name.replaceAll(" ", "-")}` });
		this.number = el("input", {
			type: "text", inputmode: "numeric", autocomplete: "off", enterkeyhint: "done", "aria-label": `Threshold of ${name}, as a number`,
		});
		const typed = (/** @type {HTMLInputElement} */ from) => set(Math.round(Number(from.value.trim())) || 0);
		this.slider.addEventListener("input", () => (this.number.value = this.slider.value));
		this.slider.addEventListener("change", () => typed(this.slider));
		this.number.addEventListener("change", () => typed(this.number));
		this.measured = el(
			"div", {}, this.bar,
			el("label", { for: this.slider.id }, "Threshold: drag it above the room's noise, and below your sound"),
			el("div", { class: "threshold" }, this.slider, this.number),
		);
		this.node = el("div", { hidden: true }, this.measured, this.words);
	}

	/** @param {InputView} i */
	show(i) {
		this.node.hidden = i.role !== "microphone";
		const level = i.level ?? null;
		this.measured.hidden = level === null;
		if (level === null) {
			text(this.words, "This board only hears whether it is loud enough. Turn the trimmer of the microphone's comparator.");
			return;
		}
		this.fill.style.transform = `scaleX(${Math.min(1, level.now / full)})`;
		this.peak.style.left = `${(100 * Math.min(full, level.peak)) / full}%`;
		const own = level.threshold === 0;
		const counts = own ? "The threshold is the board's own until you set one." : `A sound counts above ${level.threshold}.`;
		text(this.words, `${level.now} now, ${level.peak} at most in the last seconds. ${counts}`);
		attr(this.bar, "aria-label", `Level ${level.now} of ${full}`);
		const focus = document.activeElement;
		if (own || focus === this.slider || focus === this.number) return;
		this.slider.value = `${level.threshold}`;
		this.number.value = `${level.threshold}`;
	}
}
