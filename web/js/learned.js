// What the tries say of the delay: the next trim on a button beside the trim, and behind a fold the strip and what came
// of them.

import { attr, button, byId, el, intoSight, text } from "./dom.js";
import { factList, triesDrawing } from "./drawings/tries.js";
import { inUnit, signed } from "./units.js";
import { voice } from "./voice.js";

/** @import { Kind, Snapshot, Tuning } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

export class Learned {
	#drawn = "";
	#session = 0;
	/** @type {Snapshot | null} */ #snap = null;
	#recording = false;
	#said = "";
	/** What stood on the button when it was pressed. */ #pressed = "";
	/** @type {Kind | ""} */ #kind = "";

	/** @param {Commands} commands @param {HTMLElement} refusals */
	constructor(commands, refusals) {
		this.commands = commands;
		this.refusals = refusals;
		this.trim = el("b", {});
		this.sure = el("span", {});
		this.button = button({ class: "suggested", hidden: true, onclick: () => this.#take() }, this.trim, this.sure);
		this.button.addEventListener("pointerdown", () => (this.#pressed = this.button.dataset.trim ?? ""));
		this.gapTrim = el("b", {});
		this.gapSure = el("span", {});
		this.gap = button({ class: "suggested", hidden: true, onclick: () => this.#takeGap() }, this.gapTrim, this.gapSure);
		this.gap.addEventListener("pointerdown", () => (this.#pressed = this.gap.dataset.trim ?? ""));
		this.accept = button({ class: "accept", hidden: true, onclick: () => this.#accept() });
		this.fold = byId("learned");
		byId("learned-body").after(this.accept);
		byId("learned-body").addEventListener("click", (e) => this.#takeArrow(e));
		intoSight(this.fold);
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const t = snap.tuning;
		this.#snap = snap;
		this.#kind = snap.set.kind;
		const measured = snap.camera.measured;
		this.#session = snap.session.id;
		this.accept.hidden = measured === 0;
		const what = measured === 1 ? "the frame's measurement" : `${measured} measurements from frames`;
		text(this.accept, this.#recording ? `Recording ${what} …` : `Put ${what} on record`);
		this.fold.hidden = !t || (t.strip === "" && measured === 0);
		this.#showButton(snap);
		this.#showGap(snap);
		if (!t || this.fold.hidden) return;
		text(byId("learned-line"), t.step === "judge" && !this.gap.hidden ? `Trim of the gap: ${this.gapTrim.textContent?.toLowerCase()}` : t.line);
		const made = JSON.stringify([t.words, t.facts, t.strip]);
		if (made === this.#drawn) return;
		this.#drawn = made;
		const facts = t.facts.length > 0 ? [factList(t.facts)] : [];
		const words = t.words === t.line ? [] : [el("p", { class: "hint" }, t.words)];
		byId("learned-body").replaceChildren(...words, ...(t.strip === "" ? [] : triesDrawing(t.strip)), ...facts);
		this.#announce(t);
	}

	/** The button stands while the trim is another than the one to try. @param {Snapshot} snap */
	#showButton(snap) {
		const t = snap.tuning;
		const now = inUnit(snap.set.trim[snap.set.kind], "ms");
		const offers = t !== null && !snap.sweep && t.step === "trim" && t.trim_ms !== now;
		this.button.hidden = !offers;
		if (!offers) return;
		attr(this.button, "data-trim", t.trim_ms);
		text(this.trim, `Set to ${signed(t.trim_ms, Number.isInteger(t.trim_ms) ? 0 : 1)} ms`);
		text(this.sure, `${Math.min(99, Math.round(t.sure * 100))} % sure`);
	}

	/** The same for the gap. @param {Snapshot} snap */
	#showGap(snap) {
		const gap = snap.tuning?.gap ?? null;
		this.gap.hidden = gap === null || gap.trim_ms === inUnit(snap.set.drops.gap_trim, "ms");
		if (gap === null) return;
		attr(this.gap, "data-trim", gap.trim_ms);
		text(this.gapTrim, `Set to ${signed(gap.trim_ms, Number.isInteger(gap.trim_ms) ? 0 : 1)} ms`);
		text(this.gapSure, `${Math.min(99, Math.round(gap.sure * 100))} % sure`);
	}

	/** What was measured in the camera's frames counts from then on. */
	#accept() {
		if (this.#recording) return;
		const over = () => this.#record(false);
		this.#record(this.commands.send({ type: "accept", session: this.#session }, this.refusals, over));
	}

	/** @param {boolean} on */
	#record(on) {
		this.#recording = on;
		if (this.#snap) this.show(this.#snap);
	}

	#takeGap() {
		const value = `${this.#pressed || this.gap.dataset.trim} ms`;
		this.#pressed = "";
		this.commands.send({ type: "set", field: "drops.gap_trim", value }, this.refusals);
	}

	/** What stood there when the finger came down is meant, though it may have changed since. */
	#take() {
		const value = `${this.#pressed || this.button.dataset.trim} ms`;
		this.#pressed = "";
		if (this.#kind) this.commands.send({ type: "set", field: `trim.${this.#kind}`, value }, this.refusals);
	}

	/** The drawing's arrow is the same as the button. @param {Event} e */
	#takeArrow(e) {
		const arrow = /** @type {Element} */ (e.target).closest(".arrow, .next");
		if (arrow && !this.button.hidden && !(/** @type {HTMLButtonElement} */ (this.button).disabled)) this.#take();
	}

	/** Each new line is read out once; the first, when the page was opened, is not. @param {Tuning} t */
	#announce(t) {
		if (this.#said !== "" && this.#said !== t.line && t.facts.length > 0) voice.say(t.line);
		this.#said = t.line;
	}
}
