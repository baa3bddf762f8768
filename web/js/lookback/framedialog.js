// One frame of the camera, large: which shot it is, and what it shows. Forwards and backwards through all of them.

import { suggestionWords } from "../camera.js";
import { attr, button, el, text } from "../dom.js";
import { icon } from "../icons.js";
import { slot } from "../refusals.js";
import { fileNumber } from "./filenumber.js";

/** @import { CameraFrame, CameraView } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */

const signs = { certain: "good", likely: "unjudged", open: "nothing" };

/** How sure it is that a frame is of its shot: a sign and words. @param {CameraFrame} f */
export function sureNodes(f) {
	const sure = /** @type {keyof typeof signs} */ (f.sure);
	return [icon(signs[sure] ?? "nothing"), el("span", {}, sureWords(f))];
}

/** @param {CameraFrame} f */
export function sureWords(f) {
	if (f.settled) return `Shot ${f.shot}, as you said`;
	if (f.sure !== "open") return `Shot ${f.shot}, ${f.sure}`;
	return f.shot === 0 ? "unmatched" : `unmatched: shot ${f.shot}?`;
}

export class FrameDialog {
	#name = "";
	#able = false;
	/** @type {string} */ #typedFor = "";

	/** @param {number} session @param {Commands} commands @param {() => CameraView | null} view */
	constructor(session, commands, view) {
		this.session = session;
		this.commands = commands;
		this.view = view;
		this.slot = slot();
		this.img = el("img", { class: "camera-large", alt: "", decoding: "async" });
		this.title = el("p", { class: "camera-title", tabindex: -1 });
		this.says = el("p", { class: "camera-says" });
		this.number = el("input", { id: `camera-shot-${session}`, type: "text", inputmode: "numeric", maxlength: 4, autocomplete: "off", enterkeyhint: "done", "data-sends": true, oninput: () => this.#label() });
		this.pair = button({ class: "primary", "data-sends": true, onclick: () => this.#pair(fileNumber(this.number.value.trim()) ?? 0) });
		this.free = button({ "data-sends": true, onclick: () => this.#pair(0) }, "Take back what I said");
		this.empty = button({ role: "switch", "data-sends": true, onclick: () => this.#empty() }, "Empty frame (no liquid)");
		this.before = button({ "aria-label": "The frame before", onclick: () => this.#step(-1) }, icon("back"));
		this.after = button({ "aria-label": "The frame after", onclick: () => this.#step(1) }, icon("onward"));
		const steps = el("div", { class: "strip-steps" }, this.before, button({ onclick: () => this.node.close() }, "Close"), this.after);
		const label = el("label", { for: this.number.id }, "This frame is shot number");
		this.node = el("dialog", { class: "camera-dialog", "aria-label": "A frame of the camera" }, this.img, this.title, this.says,
			el("div", { class: "past-field" }, label, this.number), this.pair, this.free, this.empty, this.slot, steps);
		this.#swipes();
	}

	/** @param {string} name */
	open(name) {
		this.#name = name;
		this.#typedFor = "";
		this.node.showModal();
		this.update();
	}

	/** @param {boolean} able */
	enable(able) {
		this.#able = able;
		this.update();
	}

	get #frame() {
		return this.view()?.frames.find((f) => f.name === this.#name) ?? null;
	}

	/** What is known may be more. */
	update() {
		if (!this.node.open) return;
		const f = this.#frame;
		const view = this.view();
		if (!f || !view) return this.node.close();
		const address = `/camera/${this.session}/picture?${new URLSearchParams({ name: f.name })}`;
		if (!f.pictured) this.img.removeAttribute("src");
		else if (this.img.getAttribute("src") !== address) attr(this.img, "src", address);
		attr(this.img, "alt", `Frame ${f.name}: ${[...f.says, sureWords(f)].join("; ")}`);
		this.title.replaceChildren(el("b", {}, f.name), " ", el("span", { class: "camera-sure", "data-sure": f.sure }, ...sureNodes(f)));
		text(this.says, suggestionWords(f) || (f.taken ? `Taken at ${f.taken.slice(11)} by the camera's clock.` : "The file has no time, so it cannot be matched."));
		if (this.#typedFor !== f.name) {
			this.number.value = f.shot ? `${f.shot}` : "";
			this.#typedFor = f.name;
		}
		this.#label();
		for (const n of this.node.querySelectorAll("[data-sends]")) attr(n, "disabled", !this.#able);
		if (f.taken === "") attr(this.pair, "disabled", true);
		this.free.style.visibility = f.settled ? "visible" : "hidden";
		attr(this.empty, "aria-checked", `${view.empty === f.name}`);
		attr(this.before, "aria-disabled", view.frames[0] === f ? "true" : null);
		attr(this.after, "aria-disabled", view.frames.at(-1) === f ? "true" : null);
	}

	#label() {
		const number = fileNumber(this.number.value.trim());
		text(this.pair, number ? `This frame is shot ${number}` : "Type which shot it is");
		attr(this.pair, "aria-disabled", number ? null : "true");
	}

	/** @param {number} number 0 takes back what was said */
	#pair(number) {
		const f = this.#frame;
		if (!f || (number === 0 && !f.settled)) return;
		this.commands.send({ type: "pair", session: this.session, number, name: f.name }, this.slot);
	}

	#empty() {
		const view = this.view();
		const f = this.#frame;
		if (!view || !f) return;
		const value = view.width === view.field_seen ? "" : view.width;
		const name = view.empty === f.name ? "" : f.name;
		this.commands.send({ type: "reference", session: this.session, name, value, from_right: view.from_right }, this.slot);
	}

	/** @param {number} by */
	#step(by) {
		const all = this.view()?.frames ?? [];
		const next = all[all.findIndex((f) => f.name === this.#name) + by];
		if (!next) return;
		this.#name = next.name;
		this.update();
	}

	/** Forwards and backwards by a finger, and by the keys. */
	#swipes() {
		let from = /** @type {{ x: number, y: number } | null} */ (null);
		this.img.addEventListener("pointerdown", (e) => (from = { x: e.clientX, y: e.clientY }));
		this.img.addEventListener("pointerup", (e) => {
			const [x, y] = [e.clientX - (from?.x ?? e.clientX), e.clientY - (from?.y ?? e.clientY)];
			if (from && Math.abs(x) > 40 && Math.abs(x) > 2 * Math.abs(y)) this.#step(x < 0 ? 1 : -1);
			from = null;
		});
		this.node.addEventListener("keydown", (e) => {
			if (e.target === this.number) return;
			if (e.key === "ArrowLeft") this.#step(-1);
			if (e.key === "ArrowRight") this.#step(1);
		});
	}
}
