// One frame of the camera, large: which shot it is, and what it shows. Forwards and backwards through all of them.

import { suggestionWords } from "../camera.js";
import { attr, button, el, text } from "../dom.js";
import { icon } from "../icons.js";
import { pictureOf, showLarger } from "./larger.js";
import { sentence, slot } from "../refusals.js";
import { fileNumber } from "./filenumber.js";
import { Reference } from "./reference.js";

/** @import { CameraFrame, CameraView, Command } from "../../protocol.d.ts" */
/** @import { Pending } from "./pending.js" */

const signs = { certain: "good", likely: "unjudged", open: "nothing" };
/** As control.NoShot. */
const noShot = -1;

/** How sure it is what a frame is of: a sign and words. @param {CameraFrame} f @param {CameraView} view */
export function sureNode(f, view) {
	const sure = /** @type {keyof typeof signs} */ (noShotWords(f, view) === "" ? f.sure : "certain");
	return el("span", { class: "camera-sure", "data-sure": sure }, icon(signs[sure] ?? "nothing"), el("span", {}, sureWords(f, view)));
}

/** @param {CameraFrame} f @param {CameraView} view */
export function sureWords(f, view) {
	const clash = clashOf(f, view) ? ", but contradicted" : "";
	if (f.settled && f.shot !== 0) return `Shot ${f.shot}, as you said${clash}`;
	if (f.sure !== "open") return `Shot ${f.shot}, ${f.sure}`;
	return noShotWords(f, view) || (f.shot === 0 ? "unmatched" : `unmatched: shot ${f.shot}?`);
}

/** What contradicts what was said of a frame. @param {CameraFrame} f @param {CameraView} view */
const clashOf = (f, view) => view.clashes.find((c) => c.frames.includes(f.name));

/** What a frame is of which it is known that it is of no shot; "" that is not known. @param {CameraFrame} f @param {CameraView} view */
function noShotWords(f, view) {
	if (f.sure !== "open") return "";
	const uses = [view.empty === f.name && "empty frame", view.black === f.name && "black frame", view.ruler?.name === f.name && "ruler"].filter(Boolean);
	if (uses.length > 0) return uses.join(", ");
	if (f.settled) return f.shot === 0 ? "no shot, as you said" : "";
	const all = view.certain > 0 && view.likely === 0 && view.frames.every((other) => other.sure !== "open" || other.shot === 0);
	return all && f.taken !== "" ? "no shot" : "";
}

/** Nobody knows which shot a frame is, and its time could tell. @param {CameraFrame} f @param {CameraView} view */
export const isUnmatched = (f, view) => f.sure === "open" && f.taken !== "" && noShotWords(f, view) === "";

export class FrameDialog {
	#name = "";
	#able = false;
	#enlarged = false;
	/** Something was said of this frame since it is shown. */ #said = false;
	/** A number was typed, and stands until something came of it. */ #typed = false;
	/** What was said of this frame is awaited. */ #waits = false;

	/** @param {Pending} pending @param {() => CameraView | null} view */
	constructor(pending, view) {
		const session = pending.session;
		this.session = session;
		this.pending = pending;
		this.view = view;
		this.slot = slot();
		this.img = el("img", { alt: "", decoding: "async", draggable: "false" });
		this.missing = el("span", { class: "camera-none" });
		this.img.addEventListener("error", () => this.#failed());
		this.picture = el("div", { class: "camera-picture" }, this.img, this.missing);
		this.large = el("div", { class: "camera-large" }, this.picture);
		this.title = el("p", { class: "camera-title", tabindex: -1 });
		this.says = el("p", { class: "camera-says", role: "status", tabindex: 0 });
		this.number = el("input", { id: `camera-shot-${session}`, type: "text", inputmode: "numeric", maxlength: 4, autocomplete: "off", enterkeyhint: "done", "data-sends": true, oninput: () => this.#typing() });
		this.pair = button({ class: "primary", "data-sends": true, onclick: () => this.#pair(fileNumber(this.number.value.trim()) ?? 0) });
		this.none = button({ class: "no-shot", "data-sends": true, onclick: () => this.#pair(noShot) }, "Not a shot: a test");
		this.free = button({ class: "take-back", "data-sends": true, onclick: () => this.#takeBack() }, "Take it back");
		this.reference = new Reference(pending, this.slot, this.picture, (on) => this.#marking(on));
		this.before = button({ "aria-label": "Previous frame", onclick: () => this.#step(-1) }, icon("back"));
		this.after = button({ "aria-label": "Next frame", onclick: () => this.#step(1) }, icon("onward"));
		this.enlarge = button({ class: "enlarge", "aria-pressed": "false", onclick: () => this.#enlarge(!this.#enlarged) }, "Enlarge");
		this.away = el("p", { class: "hint", role: "status" });
		const steps = el("div", { class: "strip-steps" }, this.before, this.enlarge, button({ onclick: () => this.node.close() }, "Close"), this.after);
		const label = el("label", { for: this.number.id }, "This frame is shot number");
		this.which = el("div", { class: "camera-which" }, el("div", { class: "past-field" }, label, this.number), this.pair, this.none, this.free);
		this.node = el("dialog", { class: "camera-dialog", "aria-label": "A frame of the camera" }, this.large, this.title, this.says,
			this.away, this.which, this.reference.node, el("div", { class: "camera-foot" }, this.slot, steps));
		this.#swipes();
	}

	/** The small picture did not come: that is said in its place. One that is there stays when a larger one does not come. */
	#failed() {
		this.img.removeAttribute("src");
		text(this.missing, "The picture could not be loaded. Close the frame and open it again to retry.");
	}

	/** @param {string} name */
	open(name) {
		this.#failed();
		this.picture.dataset.of = "";
		this.#show(name);
		this.node.showModal();
		this.update();
		this.title.focus();
	}

	/** @param {string} name */
	#show(name) {
		this.#name = name;
		this.#typed = false;
		this.#said = false;
		this.#waits = false;
		this.reference.leave();
		this.#enlarge(false);
	}

	/** @param {boolean} able @param {string} why not */
	enable(able, why) {
		if (able && !this.#able && !this.img.hasAttribute("src")) this.picture.dataset.of = ""; // it is asked for again
		this.#able = able;
		text(this.away, why);
		attr(this.node, "data-away", !able);
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
		this.#showPicture(f, view);
		this.title.replaceChildren(el("b", {}, f.name), " ", sureNode(f, view));
		const pair = this.pending.pair;
		const waits = pair !== null && (pair.name === f.name || (this.#said && pair.name === ""));
		if (this.#waits && !waits) this.#typed = false;
		this.#waits = waits;
		const changed = this.#said && !pair ? view.changed : null;
		text(this.says, waits ? sentence(pair.words) : saysWords(f, view, changed?.words));
		if (!this.#typed && !waits) this.number.value = f.sure !== "open" && f.shot ? `${f.shot}` : "";
		this.#label();
		for (const n of this.node.querySelectorAll("[data-sends]")) attr(n, "disabled", !this.#able);
		for (const n of [this.pair, this.none]) if (f.taken === "") attr(n, "disabled", true);
		attr(this.none, "aria-pressed", `${f.settled && f.shot === 0}`);
		this.free.style.visibility = !waits && (f.settled || changed) ? "visible" : "hidden";
		this.reference.show(view, f);
		attr(this.before, "aria-disabled", view.frames[0] === f ? "true" : null);
		attr(this.after, "aria-disabled", view.frames.at(-1) === f ? "true" : null);
	}

	/** @param {CameraFrame} f @param {CameraView} view */
	#showPicture(f, view) {
		const address = f.pictured ? pictureOf(this.session, f) : "";
		this.large.style.setProperty("--ratio", `${f.width > 0 ? f.width / f.height : 1.5}`);
		attr(this.img, "alt", `Frame ${f.name}: ${[...f.says, sureWords(f, view)].join("; ")}`);
		const of = `${f.name} ${address}`;
		if (this.picture.dataset.of === of) return;
		this.picture.dataset.of = of;
		text(this.missing, f.pictured ? "" : "There is no picture of this frame.");
		if (f.pictured) attr(this.img, "src", address);
		else this.img.removeAttribute("src");
	}

	#typing() {
		this.#typed = true;
		this.#label();
	}

	#label() {
		const number = fileNumber(this.number.value.trim());
		text(this.pair, number ? `This frame is shot ${number}` : "Type the shot's number");
		attr(this.pair, "aria-disabled", number ? null : "true");
	}

	/** @param {number} number 0 takes back what was said */
	#pair(number) {
		const f = this.#frame;
		if (f && (number !== 0 || f.settled)) this.#say(f, { type: "match", session: this.session, number, name: f.name });
	}

	/** What was said just now, with all that it changed; or what was said of this frame some time. */
	#takeBack() {
		const f = this.#frame;
		if (!this.#said || !f) return this.#pair(0);
		this.#say(f, { type: "unmatch", session: this.session });
	}

	/** @param {CameraFrame} f @param {Command & { type: "match" | "unmatch" }} command */
	#say(f, command) {
		this.pending.send(command, this.slot, (refusal) => {
			if (!refusal && this.#name === f.name) this.#said = command.type === "match" && command.number !== 0;
		});
	}

	/** So large that only a part of it is seen, which a finger or the arrow keys move. @param {boolean} on */
	#enlarge(on) {
		this.#enlarged = on;
		attr(this.enlarge, "aria-pressed", `${on}`);
		attr(this.large, "data-enlarged", on);
		attr(this.large, "tabindex", on ? "0" : null);
		attr(this.large, "role", on ? "group" : null);
		attr(this.large, "aria-label", on ? "The enlarged picture: the arrow keys move it" : null);
		if (!on) return;
		this.large.scrollTo(this.large.scrollWidth / 4, this.large.scrollHeight / 4);
		this.large.focus({ preventScroll: true });
		this.#sharpen();
	}

	/** The larger picture, if there is one. */
	#sharpen() {
		const name = this.#name;
		const frame = this.view()?.frames.find((f) => f.name === name);
		if (frame) showLarger(this.img, this.session, frame, () => this.node.open && this.#name === name);
	}

	/** A place in the picture is being marked: nothing else is in the way. @param {boolean} on */
	#marking(on) {
		attr(this.node, "data-marking", on);
		if (!on) return;
		this.#enlarge(false);
		this.#sharpen();
	}

	/** @param {number} by */
	#step(by) {
		const all = this.view()?.frames ?? [];
		const next = all[all.findIndex((f) => f.name === this.#name) + by];
		if (!next) return;
		this.#show(next.name);
		this.update();
	}

	/** Forwards and backwards by a finger, and by the keys. */
	#swipes() {
		let from = /** @type {{ x: number, y: number } | null} */ (null);
		const free = () => !this.#enlarged && !this.reference.marking;
		this.picture.addEventListener("pointerdown", (e) => (from = free() ? { x: e.clientX, y: e.clientY } : null));
		this.picture.addEventListener("pointerup", (e) => {
			const [x, y] = [e.clientX - (from?.x ?? e.clientX), e.clientY - (from?.y ?? e.clientY)];
			if (from && Math.abs(x) > 40 && Math.abs(x) > 2 * Math.abs(y)) this.#step(x < 0 ? 1 : -1);
			from = null;
		});
		this.node.addEventListener("keydown", (e) => {
			if (e.target instanceof HTMLInputElement || !free()) return;
			if (e.key === "ArrowLeft") this.#step(-1);
			if (e.key === "ArrowRight") this.#step(1);
		});
	}
}

/** What is known of a frame. @param {CameraFrame} f @param {CameraView} view @param {string} [changed] by what was said of it */
function saysWords(f, view, changed) {
	const taken = f.taken ? `Taken at ${f.taken.slice(11)} by the camera's clock.` : "The file has no time, so it cannot be matched.";
	return [clashOf(f, view)?.words, changed].filter(Boolean).join(" ") || suggestionWords(f) || taken;
}
