// What a frame is good for besides its shot: it may be the one without liquid, have a ruler in it, show where the liquid
// is to be, or, taken with the flash off, how dark the room is.

import { attr, button, el, intoSight, text } from "../dom.js";
import { sentence, show } from "../refusals.js";
import { Marks } from "./marks.js";

/** @import { CameraFrame, CameraView } from "../../protocol.d.ts" */
/** @import { Pending, Type } from "./pending.js" */

export class Reference {
	/** @type {CameraView | null} */ #view = null;
	/** @type {CameraFrame | null} */ #frame = null;
	/** @type {"" | "ruler" | "spot"} */ #what = "";

	/**
	 * @param {Pending} pending
	 * @param {HTMLElement} refusals
	 * @param {HTMLElement} picture as large as the frame is shown
	 * @param {(on: boolean) => void} marking a place is being marked, or not any more
	 */
	constructor(pending, refusals, picture, marking) {
		this.session = pending.session;
		this.pending = pending;
		this.refusals = refusals;
		this.say = marking;
		this.ruler = new Marks(picture, ["Place 1 on the ruler", "Place 2 on the ruler"], () => {});
		this.spot = new Marks(picture, ["Where the liquid should be"], () => {});
		this.empty = button({ role: "switch", "data-sends": true, onclick: () => this.#empty() }, "Empty frame (no liquid)");
		this.measure = button({ class: "ruler", "data-sends": true, onclick: () => this.#mark("ruler") }, "There is a ruler in it");
		this.place = button({ class: "spot", "data-sends": true, onclick: () => this.#mark("spot") }, "Where the liquid should be");
		this.black = button({ class: "black", role: "switch", "data-sends": true, onclick: () => this.#black() }, "");
		this.places = el("div", { class: "camera-places" }, this.measure, this.place);
		this.words = el("p", { class: "hint", role: "status" });
		this.fold = el("details", { class: "camera-reference" }, el("summary", {}, "Measure with this frame"),
			el("div", { class: "camera-places" }, this.empty, this.black), this.places, this.words);
		intoSight(this.fold);
		this.how = el("p", { class: "hint" });
		this.length = el("input", { id: `camera-ruler-${this.session}`, type: "text", autocomplete: "off", enterkeyhint: "done", placeholder: "10 cm", "data-sends": true, oninput: () => show(refusals, null) });
		this.field = el("div", { class: "past-field" }, el("label", { for: this.length.id }, "How far apart they are"), this.length);
		this.set = button({ class: "primary", "data-sends": true, onclick: () => this.#set() });
		this.forget = button({ "data-sends": true, onclick: () => this.#forget() });
		this.marks = el("div", { class: "camera-marking", hidden: true }, this.how, this.field, this.set, this.forget, button({ onclick: () => this.leave() }, "Cancel"));
		this.node = el("div", {}, this.fold, this.marks);
	}

	get marking() {
		return this.#what !== "";
	}

	/** @param {CameraView} view @param {CameraFrame} f */
	show(view, f) {
		this.#view = view;
		this.#frame = f;
		this.places.hidden = !view.moves;
		const { empty, ruler, black } = this.#wanted(view);
		const words = this.pending.words("reference", "black", "ruler", "spot");
		attr(this.empty, "aria-checked", `${empty === f.name}`);
		const changing = empty !== view.empty && [empty, view.empty].includes(f.name);
		text(this.empty, changing ? `Empty frame: ${this.pending.word("reference")}` : "Empty frame (no liquid)");
		attr(this.black, "aria-checked", `${black === f.name}`);
		const blackening = black !== view.black && [black, view.black].includes(f.name);
		text(this.black, blackening ? `Black frame: ${this.pending.word("black")}` : "Black frame (flash off)");
		text(this.measure, ruler?.name === f.name ? `The ruler in it: ${ruler.length}${ruler === view.ruler ? "" : `, ${this.pending.word("ruler")}`}` : "There is a ruler in it");
		text(this.words, sentence(words) || (f.name === view.black && roomWords(view)) || knownWords(view));
		attr(this.measure, "disabled", this.measure.disabled || !f.pictured);
		attr(this.place, "disabled", this.place.disabled || !f.pictured);
	}

	/** The empty frame, the black one and the ruler as they are to be. @param {CameraView} view */
	#wanted(view) {
		const set = this.pending.of("ruler");
		const { name = "", value: length = "", x = 0, y = 0, x2 = 0, y2 = 0 } = set ?? {};
		const ruler = !set ? view.ruler : name === "" ? null : { name, length, x, y, x2, y2 };
		return { empty: this.pending.reference(view).name, ruler, black: this.pending.of("black")?.name ?? view.black };
	}

	#black() {
		const [view, f] = [this.#view, this.#frame];
		if (!view || !f) return;
		const name = this.#wanted(view).black === f.name ? "" : f.name;
		this.pending.send({ type: "black", session: this.session, name }, this.refusals);
	}

	#empty() {
		const [view, f] = [this.#view, this.#frame];
		if (!view || !f) return;
		const is = this.pending.reference(view);
		this.pending.send({ ...is, name: is.name === f.name ? "" : f.name }, this.refusals);
	}

	/** @param {"ruler" | "spot"} what */
	#mark(what) {
		const view = this.#view;
		if (!view) return;
		this.#what = what;
		const isRuler = what === "ruler";
		const { ruler } = this.#wanted(view);
		const r = ruler?.name === this.#frame?.name ? ruler : null;
		this.fold.hidden = true;
		this.marks.hidden = false;
		this.field.hidden = !isRuler;
		this.length.value = r?.length ?? "";
		text(this.how, isRuler
			? "Tap two marks of the ruler. Slide a finger anywhere to move the framed one a little; the arrow keys do too. Tap the other to move that."
			: "Tap where the liquid should be: where the focus is. Slide a finger anywhere to move it a little; the arrow keys do too.");
		text(this.set, isRuler ? "Use this ruler" : "The liquid should be here");
		text(this.forget, isRuler ? "Forget the ruler" : "In the middle of the frame");
		this.forget.style.visibility = (isRuler ? ruler : view.spot) ? "visible" : "hidden";
		this.say(true);
		if (isRuler) this.ruler.show(r ? [{ x: r.x, y: r.y }, { x: r.x2, y: r.y2 }] : [{ x: 0.3, y: 0.5 }, { x: 0.7, y: 0.5 }], r !== null);
		else this.spot.show([view.spot ?? { x: 0.5, y: 0.5 }], view.spot !== null);
	}

	#set() {
		const round = (/** @type {number} */ v) => Math.round(v * 1e4) / 1e4;
		if (this.#what === "spot") {
			const [p] = this.spot.places;
			return this.#send({ type: "spot", session: this.session, x: round(p.x), y: round(p.y) });
		}
		const [a, b] = this.ruler.places;
		const typed = this.length.value.trim() || "?"; // the empty word would take the ruler back
		this.#send({ type: "ruler", session: this.session, name: this.#frame?.name ?? "", value: typed, x: round(a.x), y: round(a.y), x2: round(b.x), y2: round(b.y) });
	}

	#forget() {
		if (this.#what === "spot") this.#send({ type: "spot", session: this.session, x: 0, y: 0 });
		else this.#send({ type: "ruler", session: this.session, name: "", value: "", x: 0, y: 0, x2: 0, y2: 0 });
	}

	/** @param {import("../../protocol.d.ts").Command & { type: Type }} command */
	#send(command) {
		this.pending.send(command, this.refusals, (refusal) => {
			if (!refusal) this.leave();
		});
	}

	/** Nothing is marked any more. */
	leave() {
		if (this.#what === "") return;
		const back = this.#what === "ruler" ? this.measure : this.place;
		this.#what = "";
		this.ruler.hide();
		this.spot.hide();
		this.fold.hidden = false;
		this.marks.hidden = true;
		this.say(false);
		back.focus();
	}
}

/** What the black frame says of the room; "" nothing. @param {CameraView} view */
export function roomWords(view) {
	const r = view.room;
	return r ? `Flash off, open for ${r.open}: ${r.seen} bright at most. ${r.words}` : "";
}

/** How wide a frame is and where the liquid is to be. @param {CameraView} view */
function knownWords(view) {
	if (!view.moves) return "";
	const assumed = widthAssumed(view) ? ", as the set assumes until a ruler is set" : "";
	const width = view.width && `A frame shows ${view.width} of the scene${assumed}.`;
	return [width, view.spot ? "The liquid should be where you tapped." : "The liquid should be in the middle of the frame."].filter(Boolean).join(" ");
}

/** Nobody said how wide the scene is. @param {CameraView} view */
export const widthAssumed = (view) => !view.ruler && view.width !== "" && view.width === view.field_seen;
