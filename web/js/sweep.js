// A plain sweep of the trim: from, to, step, tries at each, in order or shuffled. Each shot that is done takes the next.

import { attr, button, byId, el, text } from "./dom.js";
import { show } from "./refusals.js";
import { inUnit } from "./units.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

const names = /** @type {const} */ (["from", "to", "step", "each"]);

export class Sweep {
	#shuffled = false;

	at = el("b", {});

	/** @param {Commands} commands @param {HTMLElement} refusals those of the stop beside the trim */
	constructor(commands, refusals) {
		this.commands = commands;
		this.refusal = byId("sweep-refusal");
		this.fields = names.map((name) => /** @type {HTMLInputElement} */ (byId(`sweep-${name}`)));
		byId("sweep-form").addEventListener("submit", (e) => this.#start(e));
		byId("sweep-shuffled").addEventListener("click", () => {
			this.#shuffled = !this.#shuffled;
			attr(byId("sweep-shuffled"), "aria-checked", `${this.#shuffled}`);
		});
		const end = (/** @type {HTMLElement} */ slot) => commands.send({ type: "sweep", each: 0 }, slot);
		byId("sweep-end").addEventListener("click", () => end(this.refusal));
		this.stop = button({ id: "sweep-stop", class: "suggested", hidden: true, onclick: () => end(refusals) }, this.at, el("span", {}, "end sweep"));
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const s = snap.sweep;
		text(byId("sweep-words"), s?.words ?? "Each finished shot moves on to the next trim. The sweep ends with the last, or when the trim or the set is changed.");
		byId("sweep-end").hidden = !s;
		this.stop.hidden = !s;
		if (s) text(this.at, `Try ${s.done + 1}/${s.tries}`);
		const now = inUnit(snap.set.trim[snap.set.kind], "ms") ?? 0;
		const usual = [now - 15, now + 15, 5, 2];
		this.fields.forEach((f, i) => {
			if (f.value === "" && document.activeElement !== f) f.value = `${Math.round(usual[i] * 10) / 10}`;
		});
	}

	/** @param {Event} e */
	#start(e) {
		e.preventDefault();
		const [from, to, step, each] = this.fields.map((f) => Number(f.value.trim().replace(",", ".").replace("−", "-")));
		const wrong = this.fields.findIndex((f, i) => f.value.trim() === "" || Number.isNaN([from, to, step, each][i]));
		if (wrong >= 0 || !Number.isInteger(each) || each < 1) {
			const field = names[wrong >= 0 ? wrong : 3];
			show(this.refusal, { field, why: `“${this.fields[wrong >= 0 ? wrong : 3].value}” does not work here.`, remedy: field === "each" ? "Use a whole number from 1." : "Use a number of milliseconds, such as 5." });
			return;
		}
		this.commands.send({ type: "sweep", from_ms: from, to_ms: to, step_ms: step, each, shuffled: this.#shuffled }, this.refusal);
	}
}
